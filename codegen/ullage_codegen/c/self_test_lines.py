"""The self-test's statements that fill a struct from the data and compare two, and the data as rows of constants."""

from ullage.layout import Repeat, Text

from .model import CType, Inner, Member, Scope
from .sealed import CSealed


def struct_path(scope: Scope, low: str) -> str:
    """The struct's name without the protocol's. low: that."""
    return scope.struct.removeprefix(f"{low}_")


def widest(scopes: list[Scope], sealed: CSealed | None) -> CType:
    """The type that holds every number of the data."""
    numbers = [sealed.counter.bits, sealed.owner.bits] if sealed else []
    return CType(max([16, *numbers, *(member.ctype.bits for scope in scopes for member in scope.members)]), False)


def fill_lines(scope: Scope, low: str) -> list[str]:
    """Statements that fill `values` from the array at `*at`."""
    lines: list[str] = []
    for entry in scope.entries:
        if isinstance(entry, Member) and entry.length:
            kind = "char" if isinstance(entry.slot.transform, Text) else "uint8_t"
            lines += [
                f"for (place = 0u; place < {entry.length}u; place++) {{",
                f"    values->{entry.name}[place] = ({kind}){low}_self_test_next(at, 1u);",
                "}",
            ]
        elif isinstance(entry, Member):
            size = entry.ctype.bits // 8
            lines.append(f"values->{entry.name} = ({entry.ctype.name}){low}_self_test_next(at, {size}u);")
        elif isinstance(entry, Inner) and isinstance(entry.entry, Repeat):
            room = f"place < values->{entry.control} && place < {entry.entry.at_most}u"
            lines += [
                f"values->{entry.control} = (uint8_t){low}_self_test_next(at, 1u);",
                f"for (place = 0u; {room}; place++) {{",
                f"    {low}_self_test_fill_{struct_path(entry.scope, low)}(&values->{entry.name}[place], at);",
                "}",
            ]
        elif isinstance(entry, Inner):
            lines += [
                f"if (values->{entry.control} != 0u) {{",
                f"    {low}_self_test_fill_{struct_path(entry.scope, low)}(&values->{entry.name}, at);",
                "}",
            ]
    return _with_place(lines) or ["values->nothing = 0u;", "(void)at;"]


def same_lines(scope: Scope, low: str) -> list[str]:
    """Statements that give 0 where `got` and `wanted` differ in a member that counts."""
    lines: list[str] = []
    for entry in scope.entries:
        if isinstance(entry, Member) and entry.length:
            inside = _unless(f"got->{entry.name}[place] != wanted->{entry.name}[place]")
            lines += [f"for (place = 0u; place < {entry.length}u; place++) {{", *_indented(inside), "}"]
        elif isinstance(entry, Member):
            lines += _unless(f"got->{entry.name} != wanted->{entry.name}")
        elif isinstance(entry, Inner) and isinstance(entry.entry, Repeat):
            call = f"{low}_self_test_same_{struct_path(entry.scope, low)}"
            inside = _unless(f"!{call}(&got->{entry.name}[place], &wanted->{entry.name}[place])")
            lines += _unless(f"got->{entry.control} != wanted->{entry.control}")
            lines += [f"for (place = 0u; place < wanted->{entry.control}; place++) {{", *_indented(inside), "}"]
        elif isinstance(entry, Inner):
            call = f"{low}_self_test_same_{struct_path(entry.scope, low)}(&got->{entry.name}, &wanted->{entry.name})"
            lines += _unless(f"wanted->{entry.control} != 0u && !{call}")
    return _with_place(lines) or _unless("got->nothing != wanted->nothing")


def _with_place(lines: list[str]) -> list[str]:
    return ["uint8_t place;", "", *lines] if any(line.startswith("for") for line in lines) else lines


def _unless(condition: str) -> list[str]:
    return [f"if ({condition}) {{", "    return 0u;", "}"]


def _indented(lines: list[str]) -> list[str]:
    return [f"    {line}" for line in lines]


def octet_lines(octets: bytes) -> list[str]:
    """Octets as rows of constants, sixteen a row."""
    rows = [octets[start : start + 16] for start in range(0, len(octets), 16)]
    return [" ".join(f"0x{octet:02x}u," for octet in row) for row in rows]
