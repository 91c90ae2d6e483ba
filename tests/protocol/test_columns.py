"""Columns give the scalar codec's answers where a number, a check or a shape goes to its limits.

That they agree with it on every kind of damage is tests/agreement's business.
"""

import itertools
import random
import subprocess
import sys
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import ullage
from support.column_end import same, told
from support.tiny import load
from ullage import Special, Status, columns
from ullage.columns.octets import check_of, codes_of, grid_of
from ullage.crc import CHECK_OCTETS, Crc, catalogue
from ullage.layout import Fixed, Scaled, Slot

ORCHARD = ullage.load(Path(__file__).parents[2] / "spec" / "orchard.toml")
LIST = (
    'name = "n", kind = "count", bits = 8',
    ('name = "x", kind = "list", counted_by = "n", at_most = 3, field = [{ name = "y", kind = "count", bits = 8 }]'),
)


def table(*rows: bytes) -> Any:
    return np.array([list(row) for row in rows], np.uint8)


def agrees(protocol: ullage.Protocol, *rows: bytes) -> columns.Columns:
    """The columns of the only frame, each row compared with the scalar codec's."""
    (frame,) = protocol.frames
    found = columns.decode(protocol, frame, table(*rows))
    for index, octets in enumerate(rows):
        reason, _, values = told(protocol, octets, None)
        assert found.reason[index] == reason
        assert reason or same(found.row(index), values), octets.hex(" ")
    return found


def report(**values: Any) -> bytes:
    given = {"destination": 1, "source": 17, "sequence": 9, "sensor": 0, "distance": 984, "battery": 3.7}
    return ORCHARD.encode("level_report", {**given, **values})


def test_a_special_code_is_no_number_that_could_get_into_a_mean() -> None:
    rows = table(report(), report(distance="no_echo"), report(distance=1000), bytes(10))
    found = columns.decode(ORCHARD, "level_report", rows)
    assert found.reason.tolist() == [0, 0, 0, Status.INTEGRITY]
    assert found.values["distance"].tolist() == [984, None, 1000, None]
    assert found.values["distance"].mean() == 992
    assert found.special["distance"].tolist() == [None, "no_echo", None, None]
    assert isinstance(found.special["distance"][1], Special)
    assert found.row(1)["distance"] == "no_echo"
    assert found.values["battery"].tolist() == [3.7, 3.7, 3.7, None]
    assert found.fine.tolist() == [True, True, True, False]
    assert len(found) == 4


def test_a_refused_row_has_no_values() -> None:
    found = columns.decode(ORCHARD, "level_report", table(bytes(10)))
    with pytest.raises(ValueError, match="row 0 was refused: integrity"):
        found.row(0)
    assert all(np.ma.getmaskarray(column).all() for column in found.values.values())
    assert not any(column.data.any() for column in found.values.values())


def test_rows_of_other_lengths_get_their_reason_and_masked_columns_of_the_same_types() -> None:
    right = columns.decode(ORCHARD, "level_report", table(report()))
    for length, reason in ((0, 1), (6, 1), (7, 3), (11, 3), (255, 3), (256, 2), (300, 2)):
        found = columns.decode(ORCHARD, "level_report", np.zeros((2, length), np.uint8))
        assert found.reason.tolist() == [reason, reason]
        kinds = {name: column.dtype for name, column in found.values.items()}
        assert kinds == {name: column.dtype for name, column in right.values.items()}
    assert len(columns.decode(ORCHARD, "level_report", np.zeros((0, 10), np.uint8))) == 0
    for name in ORCHARD.frames:
        assert len(columns.decode(ORCHARD, name, np.zeros((0, ORCHARD.frames[name].octets), np.uint8))) == 0


def test_read_only_and_strided_octets_are_read_and_left_alone() -> None:
    wide = np.frombuffer(report() * 4, np.uint8).reshape(2, 20)
    before = wide.tobytes()
    assert columns.decode(ORCHARD, "level_report", wide[::-1, ::-1][:, 9::-1]).reason.tolist() == [0, 0]
    assert wide.tobytes() == before
    taken = columns.decode(ORCHARD, "level_report", wide[:, :10]).values["source"]
    taken[0] = 99
    assert wide.tobytes() == before


def test_a_slot_of_64_bits_may_lie_in_nine_octets() -> None:
    rng = random.Random(4)
    for bits in range(1, 65):
        for offset in (0, 1, 7, 12):
            slot = Slot("x", "count", offset, bits, Fixed(0, Status.FINE))
            rows = [rng.randbytes(10) for _ in range(4)]
            expected = [int.from_bytes(row, "big") >> (80 - slot.end) & ((1 << bits) - 1) for row in rows]
            assert codes_of(slot, grid_of(table(*rows))).tolist() == expected


@pytest.mark.parametrize(
    ("field", "kind"),
    [
        ('kind = "count", bits = 64', np.uint64),
        ('kind = "count", bits = 63', np.int64),
        ('kind = "count", range = [-9223372036854775808, 9223372036854775807]', np.int64),
        ('kind = "measure", unit = "m", range = [-9223372036854775807, 0], step = 1, zero = 0', np.int64),
        ('kind = "measure", unit = "m", range = [9223372036854775808, 18446744073709551000], step = 1', np.uint64),
        ('kind = "measure", unit = "m", range = [-9223372036854775807, -9223372036854775000], step = 1', np.int64),
        ('kind = "measure", unit = "m", range = [0, 18446744073709551614], step = 2, bits = 64', np.uint64),
        ('kind = "measure", unit = "m", range = [-1e19, 1e19], step = 1000, zero = 0, bits = 64', object),
        ('kind = "measure", unit = "m", range = [0, 1e21], step = 1000, bits = 64', object),
        ('kind = "measure", unit = "m", range = [0, 1e15], step = 0.5, bits = 64', np.float64),
        ('kind = "time", bits = 51, step = 12345678.1, epoch = "start"', np.float64),
        (
            'kind = "measure", unit = "m", range = [-1.0001e12, 1.0001e12], step = 1.0001, bits = 64, zero = 0',
            np.float64,
        ),
        ('kind = "measure", unit = "m", range = [0, 3e-17], step = 1e-17, bits = 64', np.float64),
    ],
)
def test_every_number_is_the_scalar_codecs_to_the_last_bit(field: str, kind: Any) -> None:
    """Also where it fits neither in int64 nor in a float: uint64, Python's own numbers, and divisions row by row."""
    fields = [(f'name = "x", {field}',), (SPARE, f'name = "x", {field}')]
    if load(*fields[0]).frames["a"].slot("x").bits % 8 == 0:
        fields.append((f'name = "x", {field}, octet_order = "low_first"',))
    for some in fields:
        protocol = load(*some)
        assert agrees(protocol, *edges(protocol, random.Random(field))).values["x"].dtype == kind


SPARE = 'name = "b", kind = "spare", bits = 3'


def edges(protocol: ullage.Protocol, rng: random.Random) -> list[bytes]:
    """Frames with codes of the field x around its ends and where number types end, and some between."""
    layout = protocol.frames["a"]
    slot = layout.slot("x")
    assert isinstance(slot.transform, Scaled)
    low, high = (end - slot.transform.first for end in (slot.transform.lowest, slot.transform.highest))
    near = [low, low + 1, high - 1, high, high + 1, low - 1, 0, -1, 1 << 53, (1 << 53) + 1, (1 << 63) - 1]
    codes = [raw % (1 << slot.bits) for raw in (*near, *(rng.randint(low, high) for _ in range(60)))]
    return [(slot.turned(code) << (8 * layout.octets - slot.end)).to_bytes(layout.octets, "big") for code in codes]


def test_zeros_end_a_text_and_are_part_of_octets() -> None:
    protocol = load('name = "s", kind = "spare", bits = 4', 'name = "t", kind = "text", octets = 3')
    shifted = [(int.from_bytes(text, "big") << 4).to_bytes(4, "big") for text in TEXTS]
    found = agrees(protocol, *shifted)
    assert found.values["t"].tolist() == ["abc", "a", "", "a  ", *[None] * 4]
    found = agrees(load('name = "o", kind = "octets", octets = 3'), *TEXTS)
    assert found.values["o"].tolist() == TEXTS


TEXTS = [b"abc", b"a\0\0", b"\0\0\0", b"a  ", b"a\0b", b"\0ab", b"\x7f\0\0", b"\xff\xfe\0"]


def test_codes_of_any_width_give_their_names() -> None:
    protocol = load('name = "c", kind = "code", codes = { a = 0, b = 18446744073709551615, c = 77 }')
    rows = [code.to_bytes(8, "big") for code in (0, 1, 76, 77, 78, (1 << 64) - 2, (1 << 64) - 1)]
    assert agrees(protocol, *rows).values["c"].tolist() == ["a", None, None, "c", None, None, "b"]


def test_singles_that_are_no_numbers_are_no_values() -> None:
    protocol = load('name = "t", kind = "binary32", unit = "Cel", octet_order = "low_first"')
    codes = [0, 1, 0x41AC0000, 0x7F7FFFFF, 0x7F800000, 0x7F800001, 0x7FC00000, 0x80000000, 0xFF800000]
    found = agrees(protocol, *(code.to_bytes(4, "little") for code in codes))
    assert found.reason.tolist() == [0, 0, 0, 0, 13, 13, 13, 0, 13]
    assert found.values["t"][2] == 21.5


def crcs() -> list[Crc]:
    rng = random.Random(7)
    free = []
    for width in range(3, 65):
        poly, init, xorout = rng.getrandbits(width) | 1, rng.getrandbits(width), rng.getrandbits(width)
        for refin, refout in itertools.product((False, True), repeat=2):
            free.append(Crc(None, width, poly, init, refin, refout, xorout))
    return [*catalogue().values(), *free]


def test_every_crc_of_the_catalogue_and_of_any_parameters_is_the_scalar_one() -> None:
    """The check values are those of the catalogue of parametrised CRC algorithms."""
    rng = random.Random(8)
    for crc in crcs():
        assert check_of(crc, grid_of(table(CHECK_OCTETS))).tolist() == [crc.check], crc
        length = rng.choice((0, 1, 2, 20))
        rows = [rng.randbytes(length) for _ in range(3)]
        assert check_of(crc, grid_of(table(*rows))).tolist() == [crc.table_function(row) for row in rows], crc


def test_frames_of_all_kinds_are_sorted_by_kind() -> None:
    valve = ORCHARD.encode(
        "valve_order", {"destination": 17, "source": 1, "sequence": 3, "order": 5, "valve": "half", "expires": 60}
    )
    found = columns.decode_many(ORCHARD, [report(), valve, b"", bytes(300), report(distance=300), bytes(10)], at=1)
    assert found.reason.tolist() == [0, Status.NOT_ADDRESSED, 1, 2, 0, Status.INTEGRITY]
    assert found.rows["level_report"].tolist() == [0, 4]
    assert found.columns["level_report"].values["distance"].tolist() == [984, 300]
    assert list(found.columns) == ["level_report"]
    assert not found.messages
    assert not columns.decode_many(ORCHARD, []).columns


def test_sorted_frames_of_variable_length_come_as_messages() -> None:
    protocol = load(*LIST)
    found = columns.decode_many(protocol, [b"\1\7", b"\0", b"\4\1\1\1\1"])
    assert found.reason.tolist() == [0, 0, Status.WRONG_LENGTH]
    assert {number: message.values for number, message in found.messages.items()} == {
        0: {"n": 1, "x": ({"y": 7},)},
        1: {"n": 0, "x": ()},
    }


@pytest.mark.parametrize(
    ("protocol", "frame", "octets", "at", "told"),
    [
        (
            ORCHARD,
            "levels",
            table(bytes(10)),
            None,
            "orchard has no frame 'levels'; it has level_report, ",
        ),
        (
            load(*LIST),
            "a",
            table(bytes(3)),
            None,
            r"a has lists or groups \(1..4 octets\), and columns are for frames of",
        ),
        (ORCHARD, "level_report", bytes(10), None, "octets are .*; give an array of uint8 with a frame in each row"),
        (ORCHARD, "level_report", np.zeros(10, np.uint8), None, "octets are uint8, 10; give an array"),
        (ORCHARD, "level_report", np.zeros((3, 10)), None, "octets are float64, 3x10; give an array"),
        (ORCHARD, "level_report", table(bytes(10)), 256, "256 is no station; 0..255 are"),
        (load('name = "x", kind = "flag"'), "a", table(b"\0"), 1, "tiny has no destination, so frames are for"),
    ],
)
def test_a_wrong_request_is_told_in_a_sentence(
    protocol: ullage.Protocol, frame: str, octets: Any, at: int | None, told: str
) -> None:
    with pytest.raises(ValueError, match=told):
        columns.decode(protocol, frame, octets, at)


WRITTEN = [
    'kind = "measure", unit = "V", range = [2.00, 4.50], step = 0.01, clamp = true',
    'kind = "measure", unit = "Cel", range = [-40, 85], step = 0.5, zero = 0, special = ["no_sensor"]',
    'kind = "measure", unit = "mm", range = [250, 6000], step = 10, special = ["no_echo", "too_close"]',
    'kind = "measure", unit = "m", range = [-1.0001e12, 1.0001e12], step = 1.0001, zero = 0, bits = 64',
    'kind = "measure", unit = "m", range = [0, 18446744073709551614], step = 2, bits = 64',
    'kind = "measure", unit = "m", range = [-9223372036854775806, 0], step = 3, zero = 0, bits = 64',
    'kind = "measure", unit = "m", range = [0, 3e-17], step = 1e-17, bits = 64',
    'kind = "count", bits = 13',
    'kind = "count", bits = 64, octet_order = "low_first"',
    'kind = "count", range = [-5, 5]',
    'kind = "flag"',
    'kind = "binary32", unit = "m", octet_order = "low_first"',
    'kind = "time", bits = 40, step = 0.1, epoch = "unix"',
]


def wide_numbers(rng: random.Random) -> list[Any]:
    """Arrays of every number type: around 0, around ties, far out."""
    near = [rng.choice((-1, 1)) * rng.randint(0, 10 ** rng.randint(0, 19)) for _ in range(200)]
    ties = [rng.randint(-900, 900) / rng.choice((2, 4, 20, 200)) for _ in range(200)]
    far = [0.0, -0.0, 5e-324, 1e39, -1e39, 3.4028235677973366e38, 2.0**53, 2.0**63, 2.0**64, 1e300]
    return [
        np.array([*ties, *far, *map(float, near), *(tie * 1e-17 for tie in ties)]),
        np.array([number for number in near if -(1 << 63) <= number < 1 << 63], np.int64),
        np.array([number for number in near if number >= 0], np.uint64),
        np.array([number for number in near if -128 <= number < 128], np.int8),
        np.array([Fraction(number, 7) for number in near]),
        np.array([0, 1, 1], np.bool_),
    ]


@pytest.mark.parametrize("field", WRITTEN)
def test_columns_are_written_as_the_scalar_codec_writes_each_row(field: str) -> None:
    protocol = load(SPARE, *fillers(field), f'name = "x", {field}')
    for values in wide_numbers(random.Random(field)):
        expected = [written(protocol, value) for value in values.tolist()]
        if None in expected:
            with pytest.raises(ullage.EncodeError, match=r"row \d+: x: "):
                columns.encode(protocol, "a", {"x": values})
            continue
        octets, status = columns.encode(protocol, "a", {"x": values})
        assert [bytes(row) if not one else int(one) for row, one in zip(octets, status, strict=True)] == expected
        assert not octets[status != 0].any()


def fillers(field: str) -> tuple[str, ...]:
    return ('name = "c", kind = "spare", bits = 5',) if "low_first" in field else ()


def written(protocol: ullage.Protocol, value: Any) -> bytes | int | None:
    """The scalar codec's octets, its status, or None where the value is of the wrong kind."""
    try:
        return protocol.encode("a", {"x": value})
    except ullage.EncodeError as error:
        return None if error.status is None else int(error.status)


def test_one_value_serves_all_rows_and_names_of_special_codes_stand_in_either_place() -> None:
    given = {"destination": 1, "source": np.uint8(17), "sequence": np.arange(3), "sensor": 0, "battery": 3.7}
    expected = [report(sequence=0), report(sequence=1, distance="no_echo"), report(sequence=2, distance=300)]
    mixed = columns.encode(ORCHARD, "level_report", {**given, "distance": [984, "no_echo", 300.0]})
    names = {"distance": [None, "no_echo", None]}
    apart = columns.encode(ORCHARD, "level_report", {**given, "distance": np.array([984, 0, 300])}, names)
    for octets, status in (mixed, apart):
        assert [bytes(row) for row in octets] == expected
        assert status.tolist() == [0, 0, 0]
    octets, status = columns.encode(ORCHARD, "level_report", {**given, "sequence": 9, "distance": 984})
    assert [bytes(row) for row in octets] == [report()]


def test_a_row_out_of_range_is_zeros_and_says_so() -> None:
    protocol = load('name = "x", kind = "count", bits = 8', rest='[integrity]\ncrc = "CRC-8/SMBUS"')
    octets, status = columns.encode(protocol, "a", {"x": np.array([1, 256, -1])})
    assert status.tolist() == [0, Status.OUT_OF_RANGE, Status.OUT_OF_RANGE]
    assert [bytes(row) for row in octets] == [protocol.encode("a", {"x": 1}), b"\0\0", b"\0\0"]


def test_octets_keep_their_zeros_and_texts_their_blanks() -> None:
    fields = 'name = "o", kind = "octets", octets = 3', 'name = "t", kind = "text", octets = 3'
    protocol = load('name = "b", kind = "spare", bits = 4', *fields)
    values = {"o": [b"a\0\0", b"\0\0\0", b"ab"], "t": np.array(["a ", "", "abc"])}
    octets, status = columns.encode(protocol, "a", values)
    assert status.tolist() == [0, 0, Status.OUT_OF_RANGE]
    assert bytes(octets[0]) == protocol.encode("a", {"o": b"a\0\0", "t": "a "})
    assert bytes(octets[1]) == bytes(7)


@pytest.mark.parametrize(
    ("values", "special", "told"),
    [
        ({}, None, "a needs x and y"),
        ({"x": 1, "y": 1, "z": 1}, None, "a has no field 'z'"),
        ({"x": [1, 2], "y": [1, 2, 3]}, None, "columns of different lengths: x 2, y 3"),
        ({"x": [1, 2], "y": 1}, {"x": [None]}, r"columns of different lengths: x 2, x \(special\) 1"),
        ({"x": [1, None], "y": 1}, None, "row 1: x: NoneType is no number"),
        ({"x": np.array([1, np.nan]), "y": 1}, None, "row 1: x: nan is not a number that can be sent"),
        ({"x": np.array([1, 2], np.float32), "y": 1}, None, "row 0: x: float32 is no number"),
        (
            {"x": np.ma.array([1, 2], mask=[False, True]), "y": 1},
            None,
            "row 1: x: the value is masked, and no ",
        ),
        ({"x": [1], "y": 1}, {"x": ["no_eco"]}, "row 0: x: 'no_eco' is no number"),
        ({"x": [1], "y": 1}, {"y": ["no_echo"]}, "y has no special codes"),
        ({"x": np.zeros((2, 2)), "y": 1}, None, "x: an array of 2 dimensions"),
    ],
)
def test_what_is_no_value_at_all_is_told_with_its_row(values: Any, special: Any, told: str) -> None:
    x = 'name = "x", kind = "measure", unit = "m", range = [0, 9], step = 1, special = ["no_echo"]'
    with pytest.raises(ullage.EncodeError, match=told):
        columns.encode(load(x, 'name = "y", kind = "count", bits = 4'), "a", values, special)


def test_without_numpy_one_sentence_says_how_to_get_it() -> None:
    code = "import sys; sys.modules['numpy'] = None\ntry: import ullage.columns\nexcept ImportError as e: print(e)"
    said = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout
    assert said == "ullage.columns needs NumPy; pip install 'ullage[columns]' gets it\n"


def test_nothing_but_columns_needs_numpy() -> None:
    code = (
        "import sys, ullage; p = ullage.loads(sys.stdin.read()); p.decode(p.encode('a', {'x': 1}))"
        "; print('numpy' in sys.modules); ullage.columns.decode; print('numpy' in sys.modules)"
    )
    spec = '[protocol]\nname = "t"\n[[frame]]\nname = "a"\nfield = [ { name = "x", kind = "flag" } ]'
    run = subprocess.run([sys.executable, "-c", code], input=spec, capture_output=True, text=True, check=True)
    assert run.stdout.split() == ["False", "True"]


def test_fractions_are_the_nearest_floats_to_the_exact_quantity() -> None:
    """Oracle: exact fractions."""
    protocol = load('name = "x", kind = "measure", unit = "m", range = [0, 4000], step = 0.004')
    codes = np.arange(1_000_001, dtype=np.uint32)
    octets = np.stack([codes >> 12 & 255, codes >> 4 & 255, codes << 4 & 255], axis=1).astype(np.uint8)
    found = columns.decode(protocol, "a", octets).values["x"]
    assert found.count() == len(codes)
    for code in range(0, len(codes), 997):
        assert found[code] == float(Fraction(4 * code, 1000))
