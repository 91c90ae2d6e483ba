"""Whatever stands in a spec file, reading it gives a protocol or a SpecError that names place, value and way out."""

import re

import pytest

import ullage
from support.tiny import tiny

FLAG = 'name = "x", kind = "flag"'
MEASURE = 'name = "x", kind = "measure", unit = "mm"'
CRC = "crc = { width = 16, poly = 0x1021, init = 0, refin = false, refout = false, xorout = 0 }"
TWO = '[[frame]]\nname = "b"\nfield = [ { name = "x", kind = "flag" } ]'


def faults(text: str | bytes) -> list[ullage.Fault]:
    with pytest.raises(ullage.SpecError) as caught:
        ullage.loads(text, source="node.toml")
    return list(caught.value.faults)


def field(keys: str) -> str:
    return tiny(f'name = "x", {keys}')


IN_FIELD = 'frame "a", field "x"'
# One line a fault: the spec, the fault's code, its place, its text (a pattern), its help (a pattern) or None.
ONE_FAULT: list[tuple[str, str, str, str, str | None]] = [
    # keys
    (tiny(FLAG, protocol="nam = 1"), "unknown_key", "protocol, nam", "has no key .nam.", "name = …, perhaps"),
    (
        tiny(FLAG, frame='sumary = ""'),
        "unknown_key",
        'frame "a", sumary',
        "a frame has no key .sumary.",
        "summary = …, perhaps",
    ),
    (
        field('kind = "flag", bits = 1'),
        "unknown_key",
        f"{IN_FIELD}, bits",
        "a flag has no key .bits.",
        "its keys are name",
    ),
    (
        tiny(f"{MEASURE}, range = [0, 9], step = 1, clam = true"),
        "unknown_key",
        f"{IN_FIELD}, clam",
        "a measure",
        "clamp",
    ),
    (tiny(FLAG, rest="[radoi]"), "unknown_key", "radoi", "a spec has no key", r"\[radio\], perhaps"),
    (
        tiny(FLAG) + f"[integrity]\n{CRC[:-2]}, chek = 1 }}",
        "unknown_key",
        "integrity, crc, chek",
        "a CRC has no key .chek.",
        None,
    ),
    (field('kind = "flag", summary = 5'), "wrong_type", f"{IN_FIELD}, summary", "5 is no text in quotes", None),
    (field('kind = "count"'), "missing_key", IN_FIELD, "a count needs bits or range", "bits = 8, or range"),
    (field('kind = "text"'), "missing_key", f"{IN_FIELD}, octets", "a text needs the key octets", "octets = 6"),
    (field("bits = 8"), "missing_key", IN_FIELD, 'this has no "kind"', "kind = "),
    (tiny('kind = "flag"'), "missing_key", 'frame "a", field number 1, name', "a flag needs the key name", "name ="),
    (f"[protocol]\n{TWO}", "missing_key", "protocol, name", "needs the key name", "name ="),
    (TWO, "missing_key", "protocol", "a spec needs .protocol.", "name ="),
    ('[protocol]\nname = "p"', "missing_key", "frame", "a spec needs ..frame..", "name ="),
    # kinds and words
    (field('kind = "mesure"'), "no_kind", f"{IN_FIELD}, kind", 'there is no kind "mesure"', 'kind = "measure"'),
    (field("kind = 5"), "no_kind", f"{IN_FIELD}, kind", "there is no kind 5", "one of measure, count"),
    (
        field('kind = "time", bits = 8, epoch = "1970"'),
        "not_one_of",
        f"{IN_FIELD}, epoch",
        '"1970" is not',
        '"unix" or',
    ),
    (field('kind = "flag", role = "lamp"'), "not_one_of", f"{IN_FIELD}, role", '"lamp" is not possible', '"battery"'),
    (tiny(FLAG, rest='[radio]\nmodulation = "am"'), "no_kind", "radio, modulation", 'no modulation "am"', None),
    (tiny(FLAG, frame='interval = "soon"'), "wrong_value", 'frame "a", interval', '"soon" is no duration', None),
    (tiny(FLAG, frame='interval = "0 s"'), "wrong_value", 'frame "a", interval', '"0 s" is no duration', None),
    (tiny(FLAG, protocol="language = 2"), "wrong_value", "protocol, language", "2 is no version of this", None),
    (tiny(FLAG, protocol="language = true"), "wrong_value", "protocol, language", "true is no version", None),
    # types and numbers
    (field('kind = "count", bits = "8"'), "wrong_type", f"{IN_FIELD}, bits", '"8" is no whole number', None),
    (field('kind = "count", bits = 8.0'), "wrong_type", f"{IN_FIELD}, bits", "8.0 is no whole number", None),
    (field('kind = "count", bits = true'), "wrong_type", f"{IN_FIELD}, bits", "true is no whole number", None),
    (field('kind = "count", bits = 0'), "too_small", f"{IN_FIELD}, bits", "0 is below 1", None),
    (field('kind = "count", bits = 65'), "too_large", f"{IN_FIELD}, bits", "65 is above 64", None),
    (field('kind = "octets", octets = 256'), "too_large", f"{IN_FIELD}, octets", "256 is above 255", None),
    (field("kind = 1979-05-27"), "no_kind", f"{IN_FIELD}, kind", "no kind 1979-05-27", None),
    (field('kind = "count", bits = 07:32:00'), "wrong_type", f"{IN_FIELD}, bits", "07:32:00 is no whole", None),
    (tiny(f"{MEASURE}, range = [1], step = 1"), "wrong_type", f"{IN_FIELD}, range", r"\[1\] does not have two", None),
    (tiny(f"{MEASURE}, range = [1, 2, 3], step = 1"), "wrong_type", f"{IN_FIELD}, range", r"\[1, 2, 3\] does", None),
    (tiny(f"{MEASURE}, range = [0, 1], step = inf"), "wrong_value", f"{IN_FIELD}, step", "inf is no finite", None),
    (tiny(f"{MEASURE}, range = [nan, 1], step = 1"), "wrong_value", f"{IN_FIELD}, range, item 1", "nan is no", None),
    (
        tiny(f"{MEASURE}, range = [0, 1], step = 1e999999999"),
        "wrong_value",
        f"{IN_FIELD}, step",
        "1e.999999999 is",
        None,
    ),
    (
        tiny(f"{MEASURE}, range = [0, 1], step = 1e-41"),
        "wrong_value",
        f"{IN_FIELD}, step",
        "beyond 10.40 or below",
        None,
    ),
    (
        tiny(f"{MEASURE}, range = [0, 1], step = 0.{'1' * 99}"),
        "wrong_value",
        f"{IN_FIELD}, step",
        "than 60 digits",
        None,
    ),
    (
        field(f'kind = "constant", bits = 8, value = 0x{"F" * 5000}'),
        "too_large",
        f"{IN_FIELD}, value",
        "40 digits",
        None,
    ),
    (
        tiny(FLAG, rest="[radio]\nmodulation = 'fsk'\nbit_rate = 0"),
        "too_small",
        "radio, bit_rate",
        "0 is below 1",
        None,
    ),
    # measures
    (tiny(f"{MEASURE}, range = [5, 1], step = 1"), "upside_down", f"{IN_FIELD}, range", "5 is above 1", r"\[1, 5\]"),
    (tiny(f"{MEASURE}, range = [0, 1], step = 0"), "too_small", f"{IN_FIELD}, step", "0 mm is no step", None),
    (
        tiny(f"{MEASURE}, range = [250, 6001], step = 5"),
        *(
            "off_step",
            f"{IN_FIELD}, range, item 2",
            "6001 mm is no whole number of steps of 5 mm",
            "range = .250, 6000.",
        ),
    ),
    (
        tiny(f"{MEASURE}, range = [1, 1], step = 2"),
        "off_step",
        f"{IN_FIELD}, range, item 1",
        "1 mm is no whole number",
        "^step = 1",
    ),
    (tiny(f"{MEASURE}, range = [0, 9], step = 3, zero = 1"), "off_step", f"{IN_FIELD}, zero", "1 mm is no whole", None),
    (
        tiny(f"{MEASURE}, range = [0, 255], step = 1, bits = 8, special = ['e']"),
        *("too_few_bits", f"{IN_FIELD}, bits", r"8 bits cannot hold raw 0\.\.255 and 1 special code", "bits = 9"),
    ),
    (tiny(f"{MEASURE}, range = [0, 1], step = 1e-20"), "too_wide", f"{IN_FIELD}, range", "needs 67 bits", "coarser"),
    (tiny(f"{MEASURE}, range = [0, 1], step = 1e-20, bits = 9"), "too_wide", f"{IN_FIELD}, range", "67 bits", None),
    (tiny(f"{MEASURE}, range = [2e19, 2.1e19], step = 1"), "too_wide", f"{IN_FIELD}, range", "counted from 0", None),
    (tiny(f"{MEASURE}, range = [-1, 9223372036854775808], step = 1"), "too_wide", "", "counted from 0", None),
    (tiny(f"{MEASURE}, range = [0, 1e7], step = 1e-9"), "too_fine", f"{IN_FIELD}, step", "cannot be told apart", None),
    (
        tiny(f"{MEASURE}, range = [0, 9], step = 1, special = {{ e = 9 }}"),
        *("codes_overlap", f"{IN_FIELD}, special, e", '"e" is code 9, which is inside the range: 9 mm', "outside"),
    ),
    (
        tiny(f"{MEASURE}, range = [0, 9], step = 1, special = {{ e = 10, f = 10 }}"),
        "codes_overlap",
        "",
        "both code",
        None,
    ),
    (tiny(f"{MEASURE}, range = [0, 9], step = 1, special = {{ e = -1 }}"), "too_small", "", '"e" is code -1', None),
    (
        tiny(f"{MEASURE}, range = [0, 9], step = 1, special = ['e', 'e']"),
        "name_taken",
        "",
        '"e" stands here already',
        None,
    ),
    (tiny(f"{MEASURE}, range = [0, 9], step = 1, special = ['E']"), "bad_name", "", '"E" is no name', 'example "e"'),
    (
        tiny(f"{MEASURE}, range = [0, 9], step = 1, special = [1]"),
        "wrong_value",
        "",
        "is neither a list of names",
        None,
    ),
    (tiny(MEASURE.replace("mm", "a*/b") + ", range = [0, 9], step = 1"), "bad_unit", "", "cannot be a unit", None),
    # other kinds
    (field('kind = "code", codes = {}'), "no_codes", f"{IN_FIELD}, codes", "there is no code here", "shut = 0"),
    (
        field('kind = "code", codes = { a = 1, b = 1 }'),
        "codes_overlap",
        f"{IN_FIELD}, codes, b",
        '"b" and "a" are',
        None,
    ),
    (
        field('kind = "code", codes = { a = 4 }, bits = 2'),
        "too_few_bits",
        f"{IN_FIELD}, bits",
        '"a" is 4',
        "3 bits hold",
    ),
    (field('kind = "code", codes = { a = -1 }'), "too_large", f"{IN_FIELD}, codes, a", "a = -1 is not in", None),
    (
        field('kind = "constant", bits = 2, value = 4'),
        "too_large",
        f"{IN_FIELD}, value",
        "4 does not fit in 2",
        "3 bits",
    ),
    (field('kind = "count", range = [9, 1]'), "upside_down", f"{IN_FIELD}, range", "9 is above 1", r"\[1, 9\]"),
    (field('kind = "time", bits = 8, step = 0, epoch = "unix"'), "too_small", f"{IN_FIELD}, step", "0 s is no", None),
    # names
    (field('kind = "flag"').replace('"x"', '"Lid"'), "bad_name", 'frame "a", field "Lid", name', '"Lid" is', '"lid"'),
    *(
        (field('kind = "flag"').replace('"x"', f'"{name}"'), "bad_name", f'frame "a", field "{name}", name', said, None)
        for name, said in (
            ("a__b", "two underscores"),
            ("a_", "one at the end"),
            ("1a", "is no name"),
            ("a-b", "is no name"),
            ("é", "is no name"),
            ("_a", "is no name"),
        )
    ),
    (tiny(FLAG, FLAG), "name_taken", f"{IN_FIELD}, name", "two fields are called .x.", "rename this one"),
    (
        tiny(FLAG).replace('"tiny"', '"while"'),
        "bad_name",
        "protocol, name",
        '"while" cannot be a name in C',
        "the_while",
    ),
    # header, message, revision
    (tiny('name = "x", kind = "source", bits = 8'), "header_only", IN_FIELD, "belongs in the header", "move it"),
    (tiny(FLAG, rest=TWO), "no_message_field", 'frame "b"', "several frames need a field", 'kind = "message"'),
    (tiny(FLAG, frame="message = 1"), "no_message_field", 'frame "a", message', "the header has no field", "leave it"),
    (
        tiny(FLAG, header='{ name = "s", kind = "source", bits = 8 }, { name = "t", kind = "source", bits = 8 }'),
        *("kind_twice", 'header, field "t"', 'there is a second source; the first is "s"', None),
    ),
    (tiny(FLAG, header='{ name = "m", kind = "message", bits = 3 }'), "missing_key", 'frame "a"', "message = N", None),
    (
        tiny(FLAG, header='{ name = "m", kind = "message", bits = 3 }', frame="message = 8"),
        *("too_large", 'frame "a", message', r"8 does not fit in 3 bits: 0\.\.7 do", None),
    ),
    (
        tiny(FLAG, header='{ name = "r", kind = "revision", bits = 3 }', protocol="revision = 7"),
        *("too_large", "protocol, revision", r"7 does not fit: 3 bits hold 0\.\.6, the highest", "bits = 4"),
    ),
    (tiny(FLAG, header='{ name = "r", kind = "revision", bits = 3 }'), "missing_key", "protocol", "revision = N", None),
    (tiny(), "no_fields", 'frame "a"', "this frame has no fields", None),
    # integrity
    (
        tiny(FLAG, rest='[integrity]\ncrc = "CRC-16/CCITT"'),
        *("ambiguous_crc", "integrity, crc", '"CRC-16/CCITT" is used for seven different CRCs', "3740"),
    ),
    (
        tiny(FLAG, rest='[integrity]\ncrc = "CRC-16/IBM-374"'),
        "unknown_crc",
        "integrity, crc",
        '"CRC-16/IBM-374" is no',
        "IBM-3740",
    ),
    (tiny(FLAG, rest="[integrity]\ncrc = 5"), "wrong_type", "integrity, crc", "5 is neither the name", None),
    (tiny(FLAG, rest="[integrity]"), "missing_key", "integrity", "this needs crc or sum", "CRC-16/IBM-3740"),
    (
        tiny(FLAG, rest=f"[integrity]\n{CRC.replace('0x1021', '0x1020')}"),
        "bad_crc",
        "integrity, crc, poly",
        "is even",
        None,
    ),
]


@pytest.mark.parametrize(("text", "code", "place", "said", "help_text"), ONE_FAULT)
def test_one_fault_gives_one_error_with_code_place_text_and_help(
    text: str, code: str, place: str, said: str, help_text: str | None
) -> None:
    (fault,) = faults(text)
    assert (fault.code, fault.place) == (code, place or fault.place)
    assert re.search(said, fault.text), fault.text
    assert help_text is None or re.search(help_text, fault.help or ""), fault.help


@pytest.mark.parametrize(
    "text",
    [
        tiny('name = "x", kind = "sequence", bits = 16, counter_width = 32'),
        tiny('name = "x", kind = "sequence", bits = 16, at_most = 5'),
        tiny(f"{MEASURE}, range = [0, 65535], step = 1, octets = 2"),
        tiny(FLAG, rest="[seal]\nkey_size = 128"),
        tiny(FLAG, rest="[integrity]\ncrc = 'CRC-8/SMBUS'\ntag = 8"),
        field('kind = "choice", bits = 8'),
    ],
)
def test_words_that_this_version_does_not_know_are_refused_and_never_ignored(text: str) -> None:
    assert {fault.code for fault in faults(text)} & {"no_kind", "unknown_key"}


def test_all_faults_of_a_file_come_at_once_in_its_order_and_none_twice() -> None:
    """Faults of shape (keys, kinds, types) do not hide those of meaning, nor one field's those of another."""
    text = """
[protocol]
name = "linux"
[header]
field = [ { name = "m", kind = "message", bits = 99 }, { name = "s", kind = "source", bits = 8 } ]
[[frame]]
name = "a"
message = 1
field = [
  { name = "distance", kind = "measure", unit = "mm", range = [250, 6001], step = 5 },
  { name = "battery", kind = "mesure", unit = "V", range = [2.5, 4.5], step = 0.01 },
  { name = "s", kind = "count", bits = 8 },
  { name = "level", kind = "measure", unit = "m", range = [0, 1], step = 3, colour = "red", special = ["x", "x"] },
]
[[frame]]
name = "a"
message = 1
field = [ { name = "bulk", kind = "octets", octets = 255 } ]
[integrity]
crc = "CRC-16/CCITT"
covers_from = "bulk"
"""
    found = faults(text)
    assert [(fault.code, fault.path) for fault in found] == [
        ("bad_name", ("protocol", "name")),
        ("too_large", ("header", "field", 0, "bits")),
        ("off_step", ("frame", 0, "field", 0, "range", 1)),
        ("no_kind", ("frame", 0, "field", 1, "kind")),
        ("name_taken", ("frame", 0, "field", 2, "name")),
        ("off_step", ("frame", 0, "field", 3, "range", 1)),
        ("unknown_key", ("frame", 0, "field", 3, "colour")),
        ("name_taken", ("frame", 0, "field", 3, "special", 1)),
        ("name_taken", ("frame", 1, "name")),
        ("codes_overlap", ("frame", 1, "message")),
        ("ambiguous_crc", ("integrity", "crc")),
    ]
    assert len(set(found)) == len(found)


def test_a_frame_that_is_no_table_does_not_hide_the_next_one() -> None:
    text = 'frame = [ 5, { name = "int", message = 1 } ]\n[protocol]\nname = "p"\n'
    text += '[header]\nfield = [ { name = "m", kind = "message", bits = 8 } ]'
    assert [(fault.code, fault.path) for fault in faults(text)] == [
        ("wrong_type", ("frame", 0)),
        ("bad_name", ("frame", 1, "name")),
    ]


@pytest.mark.parametrize(
    "text",
    [
        tiny(FLAG).replace("[header]", "[heder]"),  # no knock-on: the header may hold a message code
        tiny(FLAG).replace("field = [\n", "feld = [\n"),  # no knock-on: this frame has fields
        tiny(FLAG, header='{ name = "m", kind = "message", bits = 4 }', frame="mesage = 1"),
        tiny(FLAG, header='{ name = "r", kind = "revision", bits = 4 }', protocol="revison = 1"),
        tiny(FLAG, header='{ name = "m", kind = "massage", bits = 4 }', frame="message = 1"),
        tiny('name = "x", kind = "count", bit = 8'),
        tiny('name = "x", kind = "text", octet = 8'),
        tiny(FLAG).replace("[protocol]", "[protocl]"),
        '[protocol]\nname = "p"\n[[frame]]\nname = "a"\n[[field]]\nname = "x"\nkind = "flag"',
    ],
)
def test_what_only_follows_from_a_fault_is_not_reported_beside_it(text: str) -> None:
    assert [fault.code for fault in faults(text)] in (["unknown_key"], ["no_kind"])


def test_lines_are_file_place_fault_and_then_what_helps() -> None:
    with pytest.raises(ullage.SpecError) as caught:
        ullage.loads(tiny(f"{MEASURE}, range = [250, 6001], step = 5"), source="node.toml")
    assert str(caught.value).splitlines() == caught.value.lines()
    assert caught.value.lines() == [
        "node.toml:10:62: 6001 mm is no whole number of steps of 5 mm",
        '   10 |   { name = "x", kind = "measure", unit = "mm", range = [250, 6001], step = 5 }',
        "      |                                                              ^^^^",
        "        6000, 6005 are.",
        "  help: range = [250, 6000], or step = 1: 13 bits instead of 11",
    ]
    with pytest.raises(ullage.SpecError, match=r"^node\.toml:1:6: name has no value"):
        ullage.loads("name = ", source="node.toml")


@pytest.mark.parametrize(
    ("text", "help_text"),
    [
        (tiny(FLAG).replace("[[frame]]", "[frame]"), "[[frame]], with two brackets"),
        (tiny(FLAG).replace("[header]", "[[header]]"), "[header], with one bracket"),
        (tiny().replace("field = [\n\n]", "field = { name = 'x', kind = 'flag' }"), "field = [ { ... } ]"),
        ("[[field]]\nname = 'x'", "[[frame.field]] below its [[frame]]"),
    ],
)
def test_brackets_that_are_toml_but_not_a_spec_get_their_own_help(text: str, help_text: str) -> None:
    assert help_text in "\n".join(fault.help or "" for fault in faults(text))
