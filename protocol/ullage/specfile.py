"""The shape of a spec file: which tables, keys and kinds there are. What they mean together is `build`'s business.

Pydantic reads it strictly: an unknown key is refused, numbers stay exact decimals, nothing is coerced.
"""

import re
from decimal import Decimal
from fractions import Fraction
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Discriminator, Field, PlainValidator, Tag, WithJsonSchema

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
_LARGEST = 40  # powers of ten: far beyond any quantity in 64 bits, small enough to compute with
_DIGITS = 60
_LEAST_WHOLE, _LARGEST_WHOLE = -(1 << 63), (1 << 64) - 1


def _number(value: object) -> Fraction:
    if isinstance(value, bool) or not isinstance(value, int | Decimal):
        raise ValueError("is no number")
    if isinstance(value, Decimal):
        if not value.is_finite():
            raise ValueError("is no finite number")
        if value and abs(value.adjusted()) > _LARGEST:
            raise ValueError(f"is beyond 10^{_LARGEST} or below 10^-{_LARGEST}")
        if len(value.as_tuple().digits) > _DIGITS:
            raise ValueError(f"has more than {_DIGITS} digits")
    elif abs(value) > 10**_LARGEST:
        raise ValueError(f"is beyond 10^{_LARGEST}")
    return Fraction(value)


def _above_zero(value: object) -> Fraction:
    number = _number(value)
    if number <= 0:
        raise ValueError("is not above 0")
    return number


def _language(value: object) -> int:
    if isinstance(value, bool) or not isinstance(value, int) or value != 1:
        raise ValueError("is no version of this language that is known here; 1 is")
    return value


def _duration(value: object) -> Fraction:
    found = _DURATION.match(value) if isinstance(value, str) else None
    if not found or not Fraction(found[1]):
        raise ValueError('is no duration; for example "10 min", "30 s", "1 h", "2 days"')
    return Fraction(found[1]) * _SECONDS[found[2]]


def _specials(value: object) -> list[str] | dict[str, int]:
    if isinstance(value, list) and all(isinstance(name, str) for name in value):
        return value
    if isinstance(value, dict) and all(isinstance(code, int) and not isinstance(code, bool) for code in value.values()):
        for name, code in value.items():
            if not _LEAST_WHOLE <= code <= _LARGEST_WHOLE:
                raise ValueError(f"has a code for {name} that does not fit in 64 bits")
        return value
    raise ValueError('is neither a list of names, like ["no_echo"], nor a table of codes, like { no_echo = 0xFFFF }')


def _crc_form(value: object) -> str | None:
    return "name" if isinstance(value, str) else "parameters" if isinstance(value, dict) else None


Number = Annotated[Fraction, PlainValidator(_number), WithJsonSchema({"type": "number"})]
AboveZero = Annotated[Fraction, PlainValidator(_above_zero), WithJsonSchema({"type": "number", "exclusiveMinimum": 0})]
Whole = Annotated[int, Field(ge=_LEAST_WHOLE, le=_LARGEST_WHOLE)]
Language = Annotated[int, PlainValidator(_language), WithJsonSchema({"type": "integer", "const": 1})]
Duration = Annotated[
    Fraction, PlainValidator(_duration), WithJsonSchema({"type": "string", "examples": ["10 min", "30 s", "2 days"]})
]
Bits = Annotated[int, Field(ge=1, le=64)]
Octets = Annotated[int, Field(ge=1, le=255)]
Range = Annotated[tuple[Number, Number], Field(strict=False)]
WholeRange = Annotated[tuple[Whole, Whole], Field(strict=False)]
Specials = Annotated[
    list[str] | dict[str, int],
    PlainValidator(_specials),
    WithJsonSchema(
        {
            "anyOf": [
                {"type": "array", "items": {"type": "string"}},
                {"type": "object", "additionalProperties": {"type": "integer"}},
            ]
        }
    ),
]
Role = Literal["level", "battery", "order", "expiry"]


class _Table(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)


class _Field(_Table):
    name: str = Field(description="what C, Python, logs and tables call it")
    summary: str = Field(default="", description="one sentence for people; not sent")
    role: Role | None = Field(default=None, description="what displays and advice take it for; not sent")


class MeasureField(_Field):
    """A physical quantity sent as a scaled fixed-point number."""

    kind: Literal["measure"]
    unit: str = Field(description='unit of `range`, `step` and `zero`, at most 20 characters; "" for a plain number')
    range: Range = Field(description="the least and the most that can be sent, both whole numbers of steps")
    step: Number = Field(description="the quantity of one least significant bit, above 0")
    zero: Number | None = Field(
        default=None, description="the quantity that raw 0 stands for, a whole number of steps; else the low end"
    )
    bits: Bits | None = Field(default=None, description="width; else the fewest that hold range and special codes")
    special: Specials = Field(default_factory=list, description="conditions instead of a quantity")
    clamp: bool = Field(default=False, description="an encoder sends the nearer end for what lies outside the range")


class CountField(_Field):
    """A whole number."""

    kind: Literal["count"]
    bits: Bits | None = Field(default=None, description="width; needed where there is no `range`")
    range: WholeRange | None = Field(default=None, description="the least and the most; else 0..2^bits-1")


class FlagField(_Field):
    """One bit."""

    kind: Literal["flag"]


class CodeField(_Field):
    """Named codes."""

    kind: Literal["code"]
    codes: dict[str, Whole] = Field(description="each name with its code, 0 and up; every other code is no value")
    bits: Bits | None = Field(default=None, description="width; else the fewest that hold the largest code")


class DestinationField(_Field):
    """The station that a frame is for."""

    kind: Literal["destination"]
    bits: Bits = Field(description="width")
    broadcast: Whole | None = Field(default=None, description="the code that is for every station")


class IdentifierField(_Field):
    """The station that sent a frame; one of its sensors."""

    kind: Literal["source", "sensor"]
    bits: Bits = Field(description="width")


class SequenceField(_Field):
    """A number that grows by one with each new frame (RFC 1982)."""

    kind: Literal["sequence"]
    bits: Bits = Field(description="width")


class MessageField(_Field):
    """Which frame follows."""

    kind: Literal["message"]
    bits: Annotated[int, Field(ge=1, le=16)] = Field(description="width")


class RevisionField(_Field):
    """The protocol's revision."""

    kind: Literal["revision"]
    bits: Annotated[int, Field(ge=1, le=8)] = Field(description="width; the highest code is kept for later")


class TimeField(_Field):
    """Whole steps of time since an epoch."""

    kind: Literal["time"]
    bits: Bits = Field(description="width")
    step: Number = Field(
        default=Fraction(1),
        description="seconds of one least significant bit, above 0",
        json_schema_extra={"default": 1},
    )
    epoch: Literal["unix", "start"] = Field(description="when time 0 was: 1970-01-01T00:00:00Z, or the station's start")


class TextField(_Field):
    """Printable ASCII, zeros at the end."""

    kind: Literal["text"]
    octets: Octets = Field(description="length")


class OctetsField(_Field):
    """Opaque octets."""

    kind: Literal["octets"]
    octets: Octets = Field(description="length")


class ConstantField(_Field):
    """Bits that are always the same."""

    kind: Literal["constant"]
    bits: Bits = Field(description="width")
    value: Whole = Field(description="the code that is always there")


class SpareField(_Table):
    """Bits that must be zero."""

    kind: Literal["spare"]
    bits: Bits = Field(description="width")
    name: str = Field(default="", description="only to speak of it; it has no value")
    summary: str = Field(default="", description="one sentence for people; not sent")


AnyField = Annotated[
    MeasureField
    | CountField
    | FlagField
    | CodeField
    | DestinationField
    | IdentifierField
    | SequenceField
    | MessageField
    | RevisionField
    | TimeField
    | TextField
    | OctetsField
    | ConstantField
    | SpareField,
    Field(discriminator="kind"),
]


class ProtocolTable(_Table):
    """What the protocol is called and which revision of it this is."""

    name: str = Field(description="begins every name in the C header")
    revision: Annotated[int, Field(ge=0, le=254)] | None = Field(
        default=None, description="of the layout; needed where the header has a revision, else 1"
    )
    summary: str = Field(default="", description="one sentence for people; not sent")
    language: Language = Field(default=1, description="version of this language")


class HeaderTable(_Table):
    """The fields that every frame begins with."""

    field: list[AnyField] = Field(default_factory=list, description="the fields that every frame begins with, in order")


class FrameTable(_Table):
    """One kind of message."""

    name: str = Field(description="what C, Python, logs and tables call it")
    message: Annotated[int, Field(ge=0, le=0xFFFF)] | None = Field(
        default=None, description="its code; needed where the header has a message code, else not possible"
    )
    summary: str = Field(default="", description="one sentence for people; not sent")
    interval: Duration | None = Field(default=None, description="how often it is meant to be sent; not sent")
    field: list[AnyField] = Field(default_factory=list, description="the fields after the header, in order")


class CrcParameters(_Table):
    """A CRC by its six parameters (the model of the catalogue of parametrised CRC algorithms)."""

    width: Whole = Field(description="bits, 3..64")
    poly: Whole = Field(description="polynomial without its top bit, highest power first; odd")
    init: Whole = Field(description="register before the first octet, not reflected")
    refin: bool = Field(description="each octet goes in lowest bit first")
    refout: bool = Field(description="the register is reflected at the end")
    xorout: Whole = Field(description="XORed with the register after that")


class IntegrityTable(_Table):
    """How a receiver knows that a frame is whole."""

    crc: Annotated[
        Annotated[str, Tag("name")] | Annotated[CrcParameters, Tag("parameters")], Discriminator(_crc_form)
    ] = Field(description="its name in the catalogue, or its six parameters")
    covers_from: str | None = Field(
        default=None, description="the first field that the CRC covers; else the first of all"
    )
    octet_order: Literal["high_first", "low_first"] | None = Field(
        default=None, description="which octet of the CRC goes first; else low first if `refout`, high first if not"
    )


class LoraTable(_Table):
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


class FskTable(_Table):
    """FSK settings, for the time on air."""

    modulation: Literal["fsk"] = Field(description="FSK; the other is LoRa, with other keys")
    bit_rate: Annotated[int, Field(ge=1, le=1_000_000_000)] = Field(description="bits per second")
    preamble_octets: Annotated[int, Field(ge=0, le=65_535)] = Field(default=4, description="before the sync word")
    sync_octets: Annotated[int, Field(ge=0, le=255)] = Field(default=2, description="of the sync word")
    length_octet: bool = Field(default=True, description="the radio sends the frame's length in an octet of its own")
    crc_octets: Annotated[int, Field(ge=0, le=4)] = Field(default=2, description="of the radio's own CRC; 0 for none")


class SpecFile(_Table):
    """A whole spec file."""

    protocol: ProtocolTable = Field(description="what the protocol is called, and its revision")
    header: HeaderTable = Field(default=HeaderTable(), description="the fields that every frame begins with")
    frame: Annotated[list[FrameTable], Field(min_length=1)] = Field(description="one for each kind of message")
    integrity: IntegrityTable | None = Field(default=None, description="the CRC at the end of every frame; else none")
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
