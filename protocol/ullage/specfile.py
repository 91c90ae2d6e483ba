"""The shape of a spec file: which tables, keys and kinds there are. What they mean together is `build`'s business.

Pydantic reads it strictly: an unknown key is refused, numbers stay exact decimals, nothing is coerced.
"""

import re
from decimal import Decimal
from fractions import Fraction
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Discriminator, Field, PlainValidator, Tag, WithJsonSchema

_DURATION = re.compile(r"\s*(\d{1,9}(?:\.\d{1,9})?)\s*(s|min|h|d|day|days|year|years)\s*\Z")
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


def _number(value: object) -> Fraction:
    if isinstance(value, bool) or not isinstance(value, int | Decimal):
        raise ValueError("is no number")
    if isinstance(value, Decimal):
        if not value.is_finite():
            raise ValueError("is no finite number")
        if value and abs(value.adjusted()) > _LARGEST:
            raise ValueError(f"is beyond 10^{_LARGEST} or below 10^-{_LARGEST}")
    elif abs(value) > 10**_LARGEST:
        raise ValueError(f"is beyond 10^{_LARGEST}")
    return Fraction(value)


def _duration(value: object) -> Fraction:
    found = _DURATION.match(value) if isinstance(value, str) else None
    if not found or not Fraction(found[1]):
        raise ValueError('is no duration; for example "10 min", "30 s", "1 h", "2 days"')
    return Fraction(found[1]) * _SECONDS[found[2]]


def _specials(value: object) -> list[str] | dict[str, int]:
    if isinstance(value, list) and all(isinstance(name, str) for name in value):
        return value
    if isinstance(value, dict) and all(isinstance(code, int) and not isinstance(code, bool) for code in value.values()):
        return value
    raise ValueError('is neither a list of names, like ["no_echo"], nor a table of codes, like { no_echo = 0xFFFF }')


def _crc_form(value: object) -> str | None:
    return "name" if isinstance(value, str) else "parameters" if isinstance(value, dict) else None


Number = Annotated[Fraction, PlainValidator(_number), WithJsonSchema({"type": "number"})]
Duration = Annotated[
    Fraction, PlainValidator(_duration), WithJsonSchema({"type": "string", "examples": ["10 min", "30 s", "2 days"]})
]
Bits = Annotated[int, Field(ge=1, le=64)]
Octets = Annotated[int, Field(ge=1, le=255)]
Range = Annotated[tuple[Number, Number], Field(strict=False)]
WholeRange = Annotated[tuple[int, int], Field(strict=False)]
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
    name: str
    summary: str = ""
    role: Role | None = None


class MeasureField(_Field):
    """A physical quantity sent as a scaled fixed-point number."""

    kind: Literal["measure"]
    unit: str
    range: Range
    step: Number
    zero: Number | None = None
    bits: Bits | None = None
    special: Specials = Field(default_factory=list)
    clamp: bool = False


class CountField(_Field):
    """A whole number."""

    kind: Literal["count"]
    bits: Bits | None = None
    range: WholeRange | None = None


class FlagField(_Field):
    """One bit."""

    kind: Literal["flag"]


class CodeField(_Field):
    """Named codes."""

    kind: Literal["code"]
    codes: dict[str, int]
    bits: Bits | None = None


class DestinationField(_Field):
    """The station that a frame is for."""

    kind: Literal["destination"]
    bits: Bits
    broadcast: int | None = None


class IdentifierField(_Field):
    """The station that sent a frame, or one of its sensors."""

    kind: Literal["source", "sensor"]
    bits: Bits


class SequenceField(_Field):
    """A number that grows by one with each new frame (RFC 1982)."""

    kind: Literal["sequence"]
    bits: Bits


class MessageField(_Field):
    """Which frame follows."""

    kind: Literal["message"]
    bits: Annotated[int, Field(ge=1, le=16)]


class RevisionField(_Field):
    """The protocol's revision."""

    kind: Literal["revision"]
    bits: Annotated[int, Field(ge=1, le=8)]


class TimeField(_Field):
    """Whole steps of time since an epoch."""

    kind: Literal["time"]
    bits: Bits
    step: Number = Fraction(1)
    epoch: Literal["unix", "start"]


class TextField(_Field):
    """Printable ASCII, zeros at the end."""

    kind: Literal["text"]
    octets: Octets


class OctetsField(_Field):
    """Opaque octets."""

    kind: Literal["octets"]
    octets: Octets


class ConstantField(_Field):
    """Bits that are always the same."""

    kind: Literal["constant"]
    bits: Bits
    value: int


class SpareField(_Table):
    """Bits that must be zero."""

    kind: Literal["spare"]
    bits: Bits
    name: str = ""
    summary: str = ""


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

    name: str
    revision: Annotated[int, Field(ge=0, le=254)] | None = None
    summary: str = ""
    language: Literal[1] = 1


class HeaderTable(_Table):
    """The fields that every frame begins with."""

    field: list[AnyField] = Field(default_factory=list)


class FrameTable(_Table):
    """One kind of message."""

    name: str
    message: int | None = None
    summary: str = ""
    interval: Duration | None = None
    field: list[AnyField] = Field(default_factory=list)


class CrcParameters(_Table):
    """A CRC by its six parameters (the model of the catalogue of parametrised CRC algorithms)."""

    width: int
    poly: int
    init: int
    refin: bool
    refout: bool
    xorout: int


class IntegrityTable(_Table):
    """How a receiver knows that a frame is whole."""

    crc: Annotated[Annotated[str, Tag("name")] | Annotated[CrcParameters, Tag("parameters")], Discriminator(_crc_form)]
    covers_from: str | None = None
    octet_order: Literal["high_first", "low_first"] | None = None


class LoraTable(_Table):
    """LoRa settings, for the time on air."""

    modulation: Literal["lora"]
    spreading_factor: Annotated[int, Field(ge=7, le=12)]
    bandwidth_khz: Number
    coding_rate: Literal["4/5", "4/6", "4/7", "4/8"]
    preamble_symbols: Annotated[int, Field(ge=1, le=65_535)] = 8
    explicit_header: bool = True
    crc: bool = True
    low_data_rate: bool | None = None


class FskTable(_Table):
    """FSK settings, for the time on air."""

    modulation: Literal["fsk"]
    bit_rate: Annotated[int, Field(ge=1)]
    preamble_octets: Annotated[int, Field(ge=0, le=65_535)] = 4
    sync_octets: Annotated[int, Field(ge=0, le=255)] = 2
    length_octet: bool = True
    crc_octets: Annotated[int, Field(ge=0, le=4)] = 2


class SpecFile(_Table):
    """A whole spec file."""

    protocol: ProtocolTable
    header: HeaderTable = HeaderTable()
    frame: Annotated[list[FrameTable], Field(min_length=1)]
    integrity: IntegrityTable | None = None
    radio: Annotated[LoraTable | FskTable, Field(discriminator="modulation")] | None = None


def json_schema() -> dict[str, Any]:
    """The JSON Schema of a spec file, as draft 2020-12."""
    schema = SpecFile.model_json_schema()
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "Ullage frame spec, language 1",
        **{key: value for key, value in schema.items() if key != "title"},
    }
