"""TOML's own errors as plain sentences with the smallest span: what stands there, and what should stand there.

TOML's reader tells what it met and where it stopped. A short scan up to there (strings, comments, open
brackets) tells what its author was about to write.
"""

import re
from collections.abc import Callable
from dataclasses import dataclass

from ..errors import Fault
from .reading import one_line
from .toml_scan import Stop, offset, scanned

_AT = re.compile(r"\s*\(at (?:line (\d+), column (\d+)|end of document)\)\Z")
_STATEMENT = re.compile(r"\s*(\[{1,2}\s*[A-Za-z_][\w.\-\" ]*\]{1,2}|[\w\-\".]+\s*=)")
_FIELDS_AGAIN = re.compile(r"\s*\[\[?\s*(frame|header|part)\s*\.\s*field\s*\]")
_LEADING_ZERO = re.compile(r"([+-]?)0+([0-9][0-9_]*(?:\.[0-9]+)?)\Z")
_DATE = re.compile(r"\d{4}-\d\d-\d\d|\d\d:\d\d")
_WORDS = {"True": "true", "False": "false", "TRUE": "true", "FALSE": "false", "yes": "true", "no": "false"}


@dataclass
class _Said:
    """What to tell: text, help, where it begins, how many characters."""

    text: str
    help: str | None
    at: int
    span: int = 1


def syntax_fault(message: str, text: str) -> Fault:
    """The one fault of a text that is no TOML.

    message: as TOML's reader says it, with its place. text: what it read. Returns the fault with line, column, span.
    """
    text = text.replace("\r\n", "\n")
    found = _AT.search(message)
    at = offset(text, int(found[1]), int(found[2])) if found and found[1] else len(text.rstrip())
    said = _AT.sub("", message)
    stop = scanned(text, at)
    told = next((tell(stop) for start, tell in _TELLERS if said.startswith(start)), None)
    if told is None:
        told = _Said(f"this is no TOML: {said[:1].lower()}{said[1:]}", None, at)
    start = min(told.at, len(text))
    line, column = text.count("\n", 0, start) + 1, start - text.rfind("\n", 0, start)
    help_text = told.help and one_line(told.help)
    return Fault("no_toml", (), "", one_line(told.text), help_text, line, column, max(told.span, 1))


def _token(stop: Stop, text: str, help_text: str | None) -> _Said:
    """A fault at the token that stands at the stop; {} in the text is the token."""
    at = stop.at + len(stop.rest) - len(stop.rest.lstrip(" \t"))
    return _Said(text.replace("{}", _shown(stop.token)), help_text, at, len(stop.token) or 1)


def _shown(token: str) -> str:
    token = token if len(token) <= 40 else token[:39] + "…"
    return token if token.isprintable() else ascii(token)[1:-1]


def _no_quote(stop: Stop) -> _Said:
    if stop.string is None:
        return _Said("a text is not closed", "its closing quote", stop.at)
    sign = stop.text[stop.string : stop.string + 3]
    sign = sign if sign in ('"""', "'''") else sign[0]
    line = stop.text[stop.string :].partition("\n")[0]
    # Its value most likely ends where the next key, the next comma or the line does.
    likely = re.match(r"[\"']+[^,\"'}\]#]*", line)
    span = len(likely[0].rstrip()) if likely and len(sign) == 1 else len(sign)
    return _Said(f"this text is not closed: {sign} is missing at its end", None, stop.string, span)


def _illegal(stop: Stop) -> _Said:
    letter = stop.text[stop.at : stop.at + 1]
    if letter in ("\n", ""):
        return _no_quote(stop)
    if letter == "\r":
        return _Said("a carriage return stands here alone", "line ends of Unix or of Windows", stop.at)
    help_text = None
    if stop.string is not None:
        help_text = f'"\\u{ord(letter):04X}" in a text in double quotes, if it is meant'
    kind = "a control" if ord(letter) < 0xA0 else "an invisible"
    return _Said(f"{kind} character, U+{ord(letter):04X}, cannot stand here", help_text, stop.at)


def _escape(stop: Stop) -> _Said:
    at = stop.text.rfind("\\", 0, stop.at + 1)
    following = stop.text[at + 1 : at + 2]
    if following in ("u", "U"):
        digits = 4 if following == "u" else 8
        found = re.match(rf"[0-9A-Fa-f]{{0,{digits}}}", stop.text[at + 2 :])
        given = found[0] if found else ""
        if len(given) == digits:
            return _Said(f"\\{following}{given} is no character", None, at, 2 + digits)
        text = f"\\{following} needs {digits} hex digits"
        return _Said(text, "\\\\ for a backslash, or '...' for a text without escapes", at, 2 + len(given))
    shown = f"\\{following}" if following.isprintable() else "a backslash alone"
    return _Said(f"{shown} is no escape", "\\\\ for a backslash, or '...' for a text without escapes", at, 2)


def _swallowed(stop: Stop) -> _Said | None:
    """A text without its closing quote that has taken in the next key, up to the next quote."""
    found = re.search(r"""(["'])([^"'\n]*?)[,\s]+[\w-]+\s*=\s*\1\s*\Z""", stop.text[stop.begin : stop.at])
    if found is None:
        return None
    text = f"this text is not closed: {found[1]} is missing at its end"
    return _Said(text, f"{found[1]}{found[2]}{found[1]}", stop.begin + found.start(), 1 + len(found[2]))


def _forgotten(stop: Stop) -> _Said | None:
    """A list that the author believes closed: the next table or key begins inside it."""
    if stop.bracket != "[" or not _STATEMENT.match(stop.line):
        return None
    opened = [place for place in stop.open if place < stop.begin and stop.text[place] == "["]
    if not opened:
        return None
    at = opened[0]
    below = stop.text.count("\n", 0, stop.begin) + 1
    return _Said("the list that begins here is not closed", f"] before line {below}", at)


def _array(stop: Stop) -> _Said:
    forgotten = _forgotten(stop)
    if forgotten is not None:
        return forgotten
    if stop.token in ("", "}", "]"):
        at = stop.open[-1 if stop.token else 0] if stop.open else stop.at
        return _Said("the list that begins here is not closed", "] at its end", at)
    return _number(stop) or _token(stop, "there is no comma before {}", "a comma between two items of a list")


def _inline(stop: Stop) -> _Said:
    if not stop.token:
        return _broken(stop)
    if stop.token in ("]", "["):
        return _Said(
            "the table that begins here is not closed", "} at its end", stop.open[-1] if stop.open else stop.at
        )
    told = _swallowed(stop) or _number(stop)
    if told is None and not re.match(r"\s*[\w\"'.-]+\s*=", stop.rest):
        value = re.search(r"=\s*([\w.+-]+)\s*\Z", stop.text[stop.begin : stop.at])
        plain = re.match(r"[\w.% /-]+", stop.rest)
        help_text = f'"{value[1]} {plain[0].strip()}", if it is a text' if value and plain else None
        told = _token(stop, "{} stands behind the value", help_text)
    return told or _token(stop, "there is no comma before {}", "a comma between two keys of a table in { }")


_BROKEN = "a table in { } stands on one line"


def _broken(stop: Stop) -> _Said:
    at = stop.open[-1] if stop.open else stop.at
    if not stop.text[stop.at :].strip() or _STATEMENT.match(stop.text[stop.at :].strip().partition("\n")[0] + " "):
        inside = stop.text[stop.at :].strip()
        if not inside or inside.startswith("["):
            return _Said("the table that begins here is not closed", "} at its end", at)
    return _Said(_BROKEN, "all of it on this line; or [[frame.field]] and one key a line below it", at)


def _key_start(stop: Stop) -> _Said:
    before = stop.text[: stop.at].rstrip(" \t")
    if stop.bracket == "{":
        if stop.token == "}" and before.endswith(","):
            return _Said("there is a comma before }", "no comma behind the last key of a table in { }", len(before) - 1)
        if not stop.token:
            return _broken(stop)
        if stop.token == ",":
            return _token(stop, "two commas stand here, and no key between them", "one comma")
    elif re.fullmatch(r"\s*\[{1,2}", before[stop.begin :]) and stop.token == "]":
        return _token(stop, "the brackets name no table", "[[frame]], for example")
    if before.endswith("."):
        return _Said("a key is missing beside this point", None, len(before) - 1)
    return _odd_key(stop)


def _odd_key(stop: Stop) -> _Said:
    word = re.match(r"[^\s=\[\]{}#,.]*", stop.rest)
    token = word[0] if word else ""
    if token and not token.isascii() and token.isprintable():
        return _letters(stop)
    letter = stop.rest[:1]
    if letter and not letter.isprintable():
        return _illegal(stop)
    return (
        _token(stop, "a key should stand here, not {}", None)
        if token or letter
        else _Said("a key should stand here", None, stop.at)
    )


def _letters(stop: Stop) -> _Said:
    """A key with letters that a bare key cannot have; the stop is inside it or at its beginning."""
    begin = re.search(r"[\w-]*\Z", stop.text[stop.begin : stop.at])
    rest = re.match(r"[\w-]*", stop.rest)
    word = (begin[0] if begin else "") + (rest[0] if rest else "")
    text = f"{word} is no bare key: it has other letters than a-z, A-Z, 0-9, _ and -"
    return _Said(text, "a name of plain letters", stop.at - len(begin[0] if begin else ""), max(1, len(word)))


def _statement(stop: Stop) -> _Said:
    if stop.token == "=":
        return _token(stop, "there is no key before =", "KEY = VALUE")
    if stop.token in ("]", "}", ","):
        return _token(stop, "{} closes nothing here" if stop.token != "," else "a comma stands here alone", None)
    return _odd_key(stop)


def _equals(stop: Stop) -> _Said:
    if stop.rest[:1].isalpha() and not stop.rest[:1].isascii():
        return _letters(stop)
    before = stop.text[stop.begin : stop.at].rstrip()
    key = (re.findall(r"[^\s,{]+", before) or ["this key"])[-1]
    start = stop.begin + before.rfind(key) if key in before else stop.at
    if stop.token[:1] == ":":
        return _Said("a key and its value are joined by =, not by :", f"{key} = …", stop.at)
    if stop.token and stop.bracket != "{" and "=" in stop.rest:
        words = (before + " " + stop.rest.partition("=")[0]).split()
        text = f'"{" ".join(words)}" has a space in it, and a key has none'
        return _Said(text, "_".join(words), stop.begin + len(stop.line) - len(stop.line.lstrip()), len(" ".join(words)))
    return _Said(f"{_shown(key)} has no = and no value", f"{key} = …", start, max(1, stop.begin + len(before) - start))


def _value(stop: Stop) -> _Said:
    forgotten = _forgotten(stop)
    if forgotten is not None:
        return forgotten
    token, before = stop.token, stop.text[: stop.at].rstrip(" \t")
    if stop.bracket == "[" and not stop.text[stop.at :].strip():
        return _array(stop)
    if token in _WORDS:
        return _token(stop, "{} is no value", _WORDS[token])
    if token in ("null", "None", "nil"):
        return _token(stop, "{} is no value: TOML has no word for nothing", "leave the key out")
    if token == "," and before.endswith((",", "[")):
        return _token(stop, "there is no value before this comma", None)
    if not token or token in (",", "}", "]"):
        equals = before.rfind("=")
        key = re.search(r"([^\s,{]+)\s*=\s*\Z", before)
        text = f"{key[1]} has no value" if key else "a value is missing here"
        return _Said(text, None, equals if equals >= stop.begin else stop.at)
    if re.match(r"[+-]?\.\d", token):
        return _token(stop, "{} is no number: a digit stands before the point", token.replace(".", "0."))
    if token == "=":
        return _token(stop, "= stands here twice", "KEY = VALUE")
    words = re.match(r"[^\s,\[\]{}#\"'=][^,\[\]{}#\"'=]*", stop.rest)
    if words and words[0].isprintable():
        word = words[0].rstrip()
        return _Said(f"{_shown(word)} is no value: a text stands in quotes", f'"{word}"', stop.at, len(word))
    return _token(stop, "{} is no value", None)


def _number(stop: Stop) -> _Said | None:
    """A number or date that TOML read only a part of, as in 01 or 1_."""
    start = re.search(r"[\w.+:-]+\Z", stop.text[stop.begin : stop.at])
    tail = re.match(r"[\w.+:-]+", stop.rest)
    if start is None or tail is None:
        return None
    value, at = start[0] + tail[0], stop.at - len(start[0])
    found = _LEADING_ZERO.match(value)
    if _DATE.match(value):
        return _Said(f"{value} is no date or time", None, at, len(value))
    if found:
        rest = re.sub(r"^0+(?=[0-9])", "", found[2])
        return _Said(f"{value} begins with a zero", f"{found[1]}{rest}", at, len(value))
    help_text = "digits on both sides of a point" if "." in value else "each _ between two digits"
    help_text = f'"{value}", if it is a text' if re.search("[A-Za-z]", value) else help_text
    return _Said(f"{value} is no number", help_text, at, len(value))


def _after(stop: Stop) -> _Said:
    swallowed = _swallowed(stop)
    if swallowed is not None:
        return swallowed
    if stop.rest.startswith("\r"):
        return _illegal(stop)
    head = stop.text[stop.begin : stop.at]
    number = _number(stop)
    if number is not None:
        return number
    if stop.token == ",":
        return _token(stop, "a comma stands behind this value", "no comma at the end of a line")
    if stop.token in ("]", "}"):
        return _token(stop, "{} closes nothing here", "leave it out")
    if head.rstrip().endswith("]") and _STATEMENT.match(head + stop.rest):
        return _token(stop, "{} stands behind the table's header", "a line of its own for it")
    value_before = re.search(r"=\s*([^\"'\[\]{}#=]+?)\s*\Z", head)
    plain = value_before is not None and re.fullmatch(r"[^\"'\[\]{}#=]*", stop.rest.strip())
    joined = f'"{value_before[1]} {stop.rest.strip()}", if it is a text' if value_before and plain else None
    return _token(stop, "{} stands behind the value, on the same line", joined or "one key and its value a line")


def _table_end(stop: Stop) -> _Said:
    double = stop.line.lstrip().startswith("[[")
    sign = "]]" if double else "]"
    head = stop.line.split("#")[0].rstrip()
    begin = stop.begin + len(head) - len(head.lstrip())
    name = re.sub(r"[\[\]\s]", "", head) if "=" not in head else "NAME"
    text = f"the table's header does not end with {sign}"
    return _Said(text, f"{sign[0].replace(']', '[') * len(sign)}{name}{sign}", begin, len(head.strip()))


def _twice(what: str) -> Callable[[Stop], _Said]:
    def tell(stop: Stop) -> _Said:
        from .positions import Places

        places = Places(stop.text)
        head = stop.line.strip()
        both = "fields stand in field = [ ... ] or below [[frame.field]], not in both"
        if not places.clashes:
            begin = stop.begin + len(stop.line) - len(stop.line.lstrip())
            again = _FIELDS_AGAIN.match(stop.line) is not None
            return _Said(f"this {what} stands in the file twice", both if again else None, begin, max(1, len(head)))
        now, first = places.clashes[0]
        at = offset(stop.text, now.line, now.column)
        word = stop.text[at : at + now.length]
        where = f"line {first.line}" if first.line != now.line else f"column {first.column}"
        text = f"{word} stands here for the second time; the first is in {where}"
        if _FIELDS_AGAIN.match(word):
            text = f"{word}, and there are fields in line {first.line} already"
            return _Said(text, both, at, now.length)
        if word.startswith("["):
            array = re.sub(r"^\[+\s*|\s*\]+$", "", word)
            help_text = f"[[{array}]], with two brackets, every time" if array in ("frame", "part") else "one of them"
            return _Said(text, help_text, at, now.length)
        return _Said(text, "one of them", at, now.length)

    return tell


_TELLERS: list[tuple[str, Callable[[Stop], _Said]]] = [
    ("Unterminated string", _no_quote),
    ("Expected \"'", _no_quote),
    ("Illegal character", _illegal),
    ("Found invalid character", _illegal),
    ("Unescaped '\\'", _escape),
    ("Invalid hex value", _escape),
    ("Escaped character is not", _escape),
    ("Unclosed array", _array),
    ("Unclosed inline table", _inline),
    ("Invalid initial character for a key", _key_start),
    ("Invalid statement", _statement),
    ("Expected '=' after a key", _equals),
    ("Invalid value", _value),
    ("Invalid date or datetime", _value),
    ("Expected newline or end of document", _after),
    ("Expected ']", _table_end),
    ("Cannot declare", _twice("table")),
    ("Cannot overwrite a value", _twice("key")),
    ("Cannot mutate immutable namespace", _twice("table")),
    ("Cannot redefine namespace", _twice("table")),
    ("Duplicate inline table key", _twice("key")),
]
