"""Text that is no TOML: one fault, in a plain sentence, where its author went wrong."""

import pytest

import ullage
from support.tiny import tiny

FLAG = 'name = "x", kind = "flag"'


SYNTAX: list[tuple[str | bytes, int | None, int | None, str, str | None]] = [
    ("[protocol]\nname = \n", 2, 6, "name has no value", None),
    ('[protocol]\nname = "p"\nname = "q"\n', 3, 1, "name stands here for the second time", None),
    ("a = 1 2", 1, 7, "2 stands behind the value", None),
    ('a = "b', 1, 5, "this text is not closed", None),
    ("\0", 1, 1, "a control character, U+0000,", None),
    ("a = 2020-13-45", 1, 5, "2020-13-45 is no date", None),
    (b'[protocol]\nname = "\xff"', 2, 9, "octet ff is no UTF-8", "save the file as UTF-8"),
    (b'\xef\xbb\xbf[protocol]\nname = "\xc3\xa9\xff"', 2, 10, "octet ff is no UTF-8", None),
    (b'\xef\xbb\xbfa = "\xff"', 1, 6, "octet ff is no UTF-8", None),
    (tiny(FLAG).encode("utf-16"), 1, 1, "this file is UTF-16", "UTF-8"),
    ("a = " + "[" * 5000 + "]" * 5000, 1, 1, "too deep in each other", None),
    (f"x = 1\na = {'9' * 5000}", 2, 5, "so many digits", None),
    ("a = 1e9999999999999999999999", 1, 6, "so many digits", None),
    ("f = [ { a = 1,\n b = 2 } ]", 1, 7, "stands on one line", "[[frame.field]]"),
    ("f = [ { # why\n b = 2 } ]", 1, 7, "stands on one line", "all of it"),
    ("f = [ { a = 1\n } ]", 1, 7, "stands on one line", "all of it"),
    ("f = [ { a = 1, } ]", 1, 14, "a comma before }", "no comma"),
    (tiny(FLAG) + "[[frame.field]]\nname = 'y'", 13, 1, "there are fields in line 9 already", "not in both"),
]


@pytest.mark.parametrize(("text", "line", "column", "said", "help_text"), SYNTAX)
def test_text_that_is_no_toml_is_one_fault_with_line_column_and_help_in_the_known_traps(
    text: str | bytes, line: int | None, column: int | None, said: str, help_text: str | None
) -> None:
    with pytest.raises(ullage.SpecError) as caught:
        ullage.loads(text)
    (fault,) = caught.value.faults
    assert (fault.code, fault.line, fault.column) == ("no_toml", line, column)
    assert said in fault.text
    assert help_text is None or help_text in (fault.help or "")


def test_an_empty_file_lacks_what_a_spec_needs() -> None:
    for text in ("", b"", "# nothing", b"\xef\xbb\xbf"):
        with pytest.raises(ullage.SpecError) as caught:
            ullage.loads(text)
        assert [fault.place for fault in caught.value.faults] == ["protocol", "frame"]


def test_a_byte_order_mark_and_windows_line_ends_are_no_fault() -> None:
    plain = ullage.loads(tiny(FLAG)).fingerprint
    for text in (b"\xef\xbb\xbf" + tiny(FLAG).encode(), "\ufeff" + tiny(FLAG), tiny(FLAG).replace("\n", "\r\n")):
        assert ullage.loads(text).fingerprint == plain
