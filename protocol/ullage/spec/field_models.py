"""The shape of a field: one model a kind, with its keys. `specfile` has the tables that fields stand in.

Pydantic reads them strictly: an unknown key is refused, numbers stay exact decimals, nothing is coerced.
"""

from decimal import Decimal
from fractions import Fraction
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, PlainValidator, WithJsonSchema

_LARGEST = 40  # powers of ten: far beyond any quantity in 64 bits, small enough to compute with
_DIGITS = 60
_LEAST_WHOLE, _LARGEST_WHOLE = -(1 << 63), (1 << 64) - 1


def number(value: object) -> Fraction:
    """An exact number of a spec, within what 64 bits can make of it."""
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


def _specials(value: object) -> list[str] | dict[str, int]:
    if isinstance(value, list) and all(isinstance(name, str) for name in value):
        return value
    if isinstance(value, dict) and all(isinstance(code, int) and not isinstance(code, bool) for code in value.values()):
        for name, code in value.items():
            if not _LEAST_WHOLE <= code <= _LARGEST_WHOLE:
                raise ValueError(f"has a code for {name} that does not fit in 64 bits")
        return value
    raise ValueError('is neither a list of names, like ["no_echo"], nor a table of codes, like { no_echo = 0xFFFF }')


Number = Annotated[Fraction, PlainValidator(number), WithJsonSchema({"type": "number"})]
Whole = Annotated[int, Field(ge=_LEAST_WHOLE, le=_LARGEST_WHOLE)]
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


class Table(BaseModel):
    """A table that knows all its keys."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)


class _Field(Table):
    name: str = Field(description="what C, Python, logs and tables call it")
    summary: str = Field(default="", description="one sentence for people; not sent")
    role: Role | None = Field(default=None, description="what displays and advice take it for; not sent")


class _Ordered(_Field):
    octet_order: Literal["high_first", "low_first"] = Field(
        default="high_first", description="which octet goes first, for fields of whole octets at whole octets"
    )


class MeasureField(_Ordered):
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


class CountField(_Ordered):
    """A whole number."""

    kind: Literal["count"]
    bits: Bits | None = Field(default=None, description="width; needed where there is no `range`")
    range: WholeRange | None = Field(default=None, description="the least and the most; else 0..2^bits-1")


class FlagField(_Field):
    """One bit."""

    kind: Literal["flag"]


class CodeField(_Ordered):
    """Named codes."""

    kind: Literal["code"]
    codes: dict[str, Whole] = Field(description="each name with its code, 0 and up; every other code is no value")
    bits: Bits | None = Field(default=None, description="width; else the fewest that hold the largest code")


class DestinationField(_Ordered):
    """The station that a frame is for."""

    kind: Literal["destination"]
    bits: Bits = Field(description="width")
    broadcast: Whole | None = Field(default=None, description="the code that is for every station")


class IdentifierField(_Ordered):
    """The station that sent a frame; one of its sensors."""

    kind: Literal["source", "sensor"]
    bits: Bits = Field(description="width")


class SequenceField(_Ordered):
    """A number that grows by one with each new frame (RFC 1982)."""

    kind: Literal["sequence"]
    bits: Bits = Field(description="width")
    counter_bits: Annotated[int, Field(ge=1, le=64)] | None = Field(
        default=None, description="of the whole counter of sealed frames, where only its low bits travel"
    )


class MessageField(_Field):
    """Which frame follows."""

    kind: Literal["message"]
    bits: Annotated[int, Field(ge=1, le=16)] = Field(description="width")


class RevisionField(_Field):
    """The protocol's revision."""

    kind: Literal["revision"]
    bits: Annotated[int, Field(ge=1, le=8)] = Field(description="width; the highest code is kept for later")


class TimeField(_Ordered):
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


class SpareField(Table):
    """Bits that must be zero."""

    kind: Literal["spare"]
    bits: Bits = Field(description="width")
    name: str = Field(default="", description="only to speak of it; it has no value")
    summary: str = Field(default="", description="one sentence for people; not sent")


class Binary32Field(_Ordered):
    """An IEEE 754 single-precision number, for wire formats that have one."""

    kind: Literal["binary32"]
    unit: str = Field(description='unit of the number, at most 20 characters; "" for a plain number')


class LengthField(_Ordered):
    """How long the frame is; derived when encoding."""

    kind: Literal["length"]
    bits: Bits = Field(description="width")
    covers: Literal["frame", "rest"] = Field(description="the whole frame's octets, or those after this field")


class ListField(Table):
    """A group of fields, repeated."""

    kind: Literal["list"]
    name: str = Field(description="what C, Python, logs and tables call it")
    summary: str = Field(default="", description="one sentence for people; not sent")
    counted_by: str = Field(description="the count beside it, before it, that says how many items follow")
    counts: Literal["items", "octets"] = Field(default="items", description="what that count counts")
    at_most: Annotated[int, Field(ge=1, le=255)] = Field(description="the most items")
    field: "list[AnyField]" = Field(description="the fields of one item, in order")


class GroupField(Table):
    """Fields that are there only when a flag is set."""

    kind: Literal["group"]
    name: str = Field(description="what C, Python, logs and tables call it")
    summary: str = Field(default="", description="one sentence for people; not sent")
    when: str = Field(description="the flag beside it, before it, that says whether it is there")
    field: "list[AnyField]" = Field(description="the fields of the group, in order")


class PartField(Table):
    """The fields of a [[part]], put in its place."""

    kind: Literal["part"]
    part: str = Field(description="the name of the [[part]]")
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
    | SpareField
    | Binary32Field
    | LengthField
    | ListField
    | GroupField
    | PartField,
    Field(discriminator="kind"),
]
ListField.model_rebuild()
GroupField.model_rebuild()
