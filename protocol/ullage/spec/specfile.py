"""The shape of a spec file: its tables and their keys. What they mean together is `build`'s business.

The fields that stand in them are in `field_models`; all of their names can be had here too.
"""

import re
from fractions import Fraction
from typing import Annotated, Any, Literal

from pydantic import Discriminator, Field, PlainValidator, Tag, WithJsonSchema

from .field_models import (
    AnyField,
    Binary32Field,
    CodeField,
    ConstantField,
    CountField,
    DestinationField,
    FlagField,
    GroupField,
    IdentifierField,
    LengthField,
    ListField,
    MeasureField,
    MessageField,
    OctetsField,
    PartField,
    RevisionField,
    SequenceField,
    SpareField,
    Table,
    TextField,
    TimeField,
    Whole,
    number,
)

__all__ = [
    "AnyField",
    "Binary32Field",
    "CodeField",
    "ConstantField",
    "CountField",
    "DestinationField",
    "FlagField",
    "GroupField",
    "IdentifierField",
    "LengthField",
    "ListField",
    "MeasureField",
    "MessageField",
    "OctetsField",
    "PartField",
    "RevisionField",
    "SequenceField",
    "SpareField",
    "TextField",
    "TimeField",
]

_DURATION = re.compile(r"\s*(\d{1,9}(?:\.\d{1,9})?)\s*(s|min|h|d|day|days|year|years)\s*\Z", re.ASCII)
_SECONDS = {
    "s": 1,
    "min": 60,
    "h": 3600,
    "d": 86_400,
    "day": 86_400,
    "days": 86_400,
    "year": 31_557_600,
    "years": 31_557_600,
}


def _above_zero(value: object) -> Fraction:
    given = number(value)
    if given <= 0:
        raise ValueError("is not above 0")
    return given


def _language(value: object) -> int:
    if isinstance(value, bool) or not isinstance(value, int) or value != 1:
        raise ValueError("is no version of this language that is known here; 1 is")
    return value


def _duration(value: object) -> Fraction:
    found = _DURATION.match(value) if isinstance(value, str) else None
    if not found or not Fraction(found[1]):
        raise ValueError('is no duration; for example "10 min", "30 s", "1 h", "2 days"')
    return Fraction(found[1]) * _SECONDS[found[2]]


def _crc_form(value: object) -> str | None:
    return "name" if isinstance(value, str) else "parameters" if isinstance(value, dict) else None


AboveZero = Annotated[Fraction, PlainValidator(_above_zero), WithJsonSchema({"type": "number", "exclusiveMinimum": 0})]
Language = Annotated[int, PlainValidator(_language), WithJsonSchema({"type": "integer", "const": 1})]
Duration = Annotated[
    Fraction, PlainValidator(_duration), WithJsonSchema({"type": "string", "examples": ["10 min", "30 s", "2 days"]})
]


class ProtocolTable(Table):
    """What the protocol is called and which revision of it this is."""

    name: str = Field(description="begins every name in the C header")
    revision: Annotated[int, Field(ge=0, le=254)] | None = Field(
        default=None, description="of the layout; needed where the header has a revision, else 1"
    )
    summary: str = Field(default="", description="one sentence for people; not sent")
    language: Language = Field(default=1, description="version of this language")


class HeaderTable(Table):
    """The fields that every frame begins with."""

    field: list[AnyField] = Field(default_factory=list, description="the fields that every frame begins with, in order")


class FrameTable(Table):
    """One kind of message."""

    name: str = Field(description="what C, Python, logs and tables call it")
    message: Annotated[int, Field(ge=0, le=0xFFFF)] | None = Field(
        default=None, description="its code; needed where the header has a message code, else not possible"
    )
    summary: str = Field(default="", description="one sentence for people; not sent")
    interval: Duration | None = Field(default=None, description="how often it is meant to be sent; not sent")
    encrypt_from: str | None = Field(
        default=None,
        description="of a sealed frame: the first field that is encrypted; else the first after the header",
    )
    field: list[AnyField] = Field(default_factory=list, description="the fields after the header, in order")


class PartTable(Table):
    """Fields that several frames share."""

    name: str = Field(description="what `part` calls it; nobody else does")
    summary: str = Field(default="", description="one sentence for people; not sent")
    field: list[AnyField] = Field(default_factory=list, description="the fields, in order")


class CrcParameters(Table):
    """A CRC by its six parameters (the model of the catalogue of parametrised CRC algorithms)."""

    width: Whole = Field(description="bits, 3..64")
    poly: Whole = Field(description="polynomial without its top bit, highest power first; odd")
    init: Whole = Field(description="register before the first octet, not reflected")
    refin: bool = Field(description="each octet goes in lowest bit first")
    refout: bool = Field(description="the register is reflected at the end")
    xorout: Whole = Field(description="XORed with the register after that")


class SumParameters(Table):
    """A sum of octets."""

    bits: Literal[8, 16, 24, 32] = Field(default=8, description="width; higher bits are cut off")
    start: Annotated[int, Field(ge=0, le=0xFFFFFFFF)] = Field(default=0, description="what the sum begins with")
    invert: bool = Field(default=False, description="send its ones' complement")


class IntegrityTable(Table):
    """How a receiver knows that a frame is whole."""

    crc: (
        Annotated[Annotated[str, Tag("name")] | Annotated[CrcParameters, Tag("parameters")], Discriminator(_crc_form)]
        | None
    ) = Field(default=None, description="its name in the catalogue, or its six parameters")
    sum: SumParameters | None = Field(default=None, description="a sum of octets in the place of a CRC")
    covers_from: str | None = Field(
        default=None, description="the first field that the CRC covers; else the first of all"
    )
    octet_order: Literal["high_first", "low_first"] | None = Field(
        default=None, description="which octet of the CRC goes first; else low first if `refout`, high first if not"
    )


class LoraTable(Table):
    """LoRa settings, for the time on air."""

    modulation: Literal["lora"] = Field(description="LoRa; the other is FSK, with other keys")
    spreading_factor: Annotated[int, Field(ge=7, le=12)] = Field(description="chips of a symbol, as a power of 2")
    bandwidth_khz: AboveZero = Field(description="bandwidth in kHz")
    coding_rate: Literal["4/5", "4/6", "4/7", "4/8"] = Field(description="data bits of those sent")
    preamble_symbols: Annotated[int, Field(ge=1, le=65_535)] = Field(
        default=8, description="as programmed, without the 4.25 symbols that the radio adds"
    )
    explicit_header: bool = Field(default=True, description="the radio sends its own header")
    crc: bool = Field(default=True, description="the radio sends its own CRC of 16 bits")
    low_data_rate: bool | None = Field(
        default=None, description="low data rate optimisation; else on where a symbol lasts more than 16 ms"
    )


class FskTable(Table):
    """FSK settings, for the time on air."""

    modulation: Literal["fsk"] = Field(description="FSK; the other is LoRa, with other keys")
    bit_rate: Annotated[int, Field(ge=1, le=1_000_000_000)] = Field(description="bits per second")
    preamble_octets: Annotated[int, Field(ge=0, le=65_535)] = Field(default=4, description="before the sync word")
    sync_octets: Annotated[int, Field(ge=0, le=255)] = Field(default=2, description="of the sync word")
    length_octet: bool = Field(default=True, description="the radio sends the frame's length in an octet of its own")
    crc_octets: Annotated[int, Field(ge=0, le=4)] = Field(default=2, description="of the radio's own CRC; 0 for none")


class SealTable(Table):
    """AES-CCM for frames that nobody else shall be able to send or read."""

    key_bits: Literal[128, 192, 256] = Field(default=128, description="of each station's key; C takes 128")
    tag_octets: Literal[4, 6, 8, 10, 12, 14, 16] = Field(default=8, description="of the tag behind the fields")
    frames: list[str] = Field(description="the names of the frames that are sealed")
    encrypt: Literal["body", "nothing"] = Field(
        default="body", description="what is encrypted: the fields after the header, or nothing; all is vouched for"
    )
    nonce: list[str] = Field(
        default_factory=lambda: ["source", "sequence"], description="the fields in the nonce, the sequence number last"
    )
    network: Annotated[int, Field(ge=0, le=0xFFFFFFFF)] = Field(
        description="a number of this installation's own, in the nonce and never on the air"
    )
    network_octets: Annotated[int, Field(ge=1, le=4)] = Field(default=2, description="octets of it in the nonce")
    hub: Annotated[int, Field(ge=0)] = Field(description="the station that all others share their keys with")
    service_life: Duration = Field(description="how long one key is meant to be used")
    interval: Duration | None = Field(
        default=None, description="between two sealed frames of a kind, where the frame has no interval of its own"
    )
    stations: Annotated[int, Field(ge=1)] | None = Field(
        default=None, description="that the hub sends to; else as many as the address holds"
    )
    restarts: Annotated[int, Field(ge=0)] = Field(default=1000, description="of a station, in its service life")
    reserve: Annotated[int, Field(ge=1, le=0xFFFF)] = Field(
        default=256, description="numbers that a station reserves with one write to its memory"
    )
    resync: Annotated[int, Field(ge=0, le=65_535)] = Field(
        default=16, description="further high parts of the counter that a receiver tries after a silence"
    )
    group_key: bool = Field(default=False, description="a frame to everybody may be sealed, under a key that all share")


class SpecFile(Table):
    """A whole spec file."""

    protocol: ProtocolTable = Field(description="what the protocol is called, and its revision")
    header: HeaderTable = Field(default=HeaderTable(), description="the fields that every frame begins with")
    frame: Annotated[list[FrameTable], Field(min_length=1)] = Field(description="one for each kind of message")
    part: list[PartTable] = Field(default_factory=list, description="fields that several frames share")
    integrity: IntegrityTable | None = Field(
        default=None, description="the CRC or sum at the end of every frame; else none"
    )
    seal: SealTable | None = Field(default=None, description="which frames are sealed, and how; else none")
    radio: Annotated[LoraTable | FskTable, Field(discriminator="modulation")] | None = Field(
        default=None, description="what the time on air needs; the codec ignores it"
    )


def json_schema() -> dict[str, Any]:
    """The JSON Schema (draft 2020-12) of a spec file: what an editor can tell of its shape while it is written."""
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "Ullage frame spec, language 1",
        **_tidy(SpecFile.model_json_schema()),
    }


def _tidy(schema: Any) -> Any:
    """A schema without what no TOML file can say (null), titles that repeat the key, and other standards' keywords."""
    if isinstance(schema, list):
        return [_tidy(item) for item in schema if item != {"type": "null"}]
    if not isinstance(schema, dict):
        return schema
    noise: dict[str, type] = {"title": str, "default": type(None), "discriminator": dict}
    tidy = {key: _tidy(value) for key, value in schema.items() if not isinstance(value, noise.get(key, ()))}
    if len(tidy.get("anyOf", ())) == 1:
        tidy |= tidy.pop("anyOf")[0]
    return tidy
