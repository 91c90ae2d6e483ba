"""C for frames whose places depend on what is sent: three small functions for each struct, over a bit cursor.

`walk` reads flags and counts alone and never past the end; `take` checks slots in wire order, and with a target also
writes it; `lay` checks a struct and, with a buffer, also writes it. The frame's encoder and decoder call each of the
last two first without a target: so nothing is touched unless all is well.
"""

from dataclasses import dataclass

from ullage.layout import Entry, Fixed, Gate, Length, Opaque, Repeat, Slot, Text, most_bits
from ullage.status import Status

from .decode import assignment, gap_check
from .encode import element, local, octets_of, plain_code, text_check
from .model import Counter, CType, Inner, Member, Scope, unsigned


@dataclass(frozen=True)
class Context:
    """Names that the statements use. low: the protocol's. names: of the answers."""

    low: str
    names: dict[Status, str]

    def refuse(self, status: Status) -> str:
        """The statement that gives this answer."""
        return f"    return {self.names[status]};"

    def call(self, text: str) -> list[str]:
        """Call a function of the same kind, and pass on what it refuses."""
        fine = self.names[Status.FINE]
        return [f"status = {text};", f"if (status != {fine}) {{", "    return status;", "}"]

    @property
    def status(self) -> str:
        """The declaration of the local answer."""
        return f"enum {self.low}_status status;"


def indent(lines: list[str]) -> list[str]:
    """Lines one level deeper."""
    return [f"    {line}" for line in lines]


def plain_size(entries: tuple[Entry, ...]) -> int | None:
    """Bits of a row of slots alone, or None: a list of one possible length still has a count that can be wrong."""
    return most_bits(entries) if all(isinstance(entry, Slot) for entry in entries) else None


# ---- the first walk -------------------------------------------------------------------------------------------------


def needs_walk(scope: Scope) -> bool:
    """Whether a struct needs a walk of its own: one without lists and groups is walked by its size."""
    return bool(scope.inner)


def walk_lines(scope: Scope, context: Context) -> list[str]:
    """The body of `walk(octets, bits, at)`: moves the cursor behind the struct, or refuses."""
    lines: list[str] = []
    pending = 0
    gates = gate_flags(scope)
    for entry in scope.entries:
        slot = None if isinstance(entry, Inner) else entry if isinstance(entry, Slot) else entry.slot
        if slot is not None and not isinstance(entry, Counter) and slot.name not in gates:
            pending += slot.bits
            continue
        lines += _past(f"{pending}u", context) if pending else []
        pending = 0
        if isinstance(entry, Inner):
            bits = {counter.repeat.name: counter.slot.bits for counter in scope.entries if isinstance(counter, Counter)}
            lines += _walk_inner(entry, bits.get(entry.name, 0), context)
        elif slot is not None:
            refused = [f"if (bits - *at < {slot.bits}u) {{", context.refuse(Status.WRONG_LENGTH), "}"]
            lines += [*refused, *_read(slot, context.low)]
    return [*lines, *(_past(f"{pending}u", context) if pending else [])]


def gate_flags(scope: Scope) -> dict[str, list[str]]:
    """Flag name -> the groups that it governs."""
    found: dict[str, list[str]] = {}
    for entry in scope.inner:
        if isinstance(entry.entry, Gate):
            found.setdefault(entry.entry.when, []).append(entry.name)
    return found


def _past(bits: str, context: Context) -> list[str]:
    return [f"if (bits - *at < {bits}) {{", context.refuse(Status.WRONG_LENGTH), "}", f"*at += {bits};"]


def _walk_inner(entry: Inner, counter_bits: int, context: Context) -> list[str]:
    size = plain_size(entry.entry.entries)
    call = context.call(f"{entry.scope.struct}_walk(octets, bits, at)")
    if isinstance(entry.entry, Gate):
        inside = call if size is None else _past(f"{size}u", context)
        return [f"if ({entry.entry.when}_code != 0u) {{", *indent(inside), "}"]
    repeat = entry.entry
    lines = _count_check(repeat, f"{repeat.counted_by}_code", counter_bits, context)
    if size is not None:
        return [*lines, *_past(f"(size_t){repeat.name}_items * {size}u", context)]
    return [*lines, f"for (place = 0u; place < {repeat.name}_items; place++) {{", *indent(call), "}"]


def _count_check(repeat: Repeat, code: str, bits: int, context: Context) -> list[str]:
    """Refuse a count that the list cannot have; the number of items is then in NAME_items. bits: of the count."""
    size = repeat.item_octets or 1
    tests = [f"{code} > {repeat.at_most * size}u"] if repeat.at_most * size < (1 << bits) - 1 else []
    if repeat.least:
        tests.append(f"{code} < {repeat.least * size}u")
    if size > 1:
        tests.append(f"{code} % {size}u != 0u")
    items = f"{code} / {size}u" if size > 1 else code
    refused = [f"if ({' || '.join(tests)}) {{", context.refuse(Status.WRONG_COUNT), "}"] if tests else []
    return [*refused, f"{repeat.name}_items = (uint8_t)({items});"]


def _read(slot: Slot, low: str, declare: bool = False) -> list[str]:
    """Read a slot's code at the cursor into its local variable."""
    ctype, code = unsigned(slot.bits), local(slot)
    start = f"{ctype.name} {code} = " if declare else f"{code} = "
    if not slot.low_first:
        return [f"{start}({ctype.name}){low}_get(octets, at, {slot.bits}u);"]
    lines = [f"{start}({ctype.name}){low}_get(octets, at, 8u);"]
    for place in range(1, slot.bits // 8):
        lines.append(
            f"{code} = ({ctype.name})({code} | ({ctype.name})(({ctype.name}){low}_get(octets, at, 8u) << {8 * place}));"
        )
    return lines


def walk_locals(scope: Scope, context: Context) -> list[str]:
    """The variables of a walk."""
    gates = gate_flags(scope)
    slots = [entry.slot for entry in scope.entries if isinstance(entry, Counter)]
    slots += [member.slot for member in scope.members if member.slot.name in gates]
    lines = [f"{unsigned(slot.bits).name} {local(slot)};" for slot in slots]
    lists = [entry.entry for entry in scope.inner if isinstance(entry.entry, Repeat)]
    lines += [f"uint8_t {entry.name}_items;" for entry in lists]
    if any(plain_size(entry.entries) is None for entry in lists):
        lines.append("uint8_t place;")
    if any(plain_size(entry.entry.entries) is None for entry in scope.inner):
        lines.append(context.status)
    return lines


# ---- reading --------------------------------------------------------------------------------------------------------


def take_lines(scope: Scope, context: Context) -> list[str]:
    """The body of `take(octets, at, values)` behind the walk: checks in wire order; writes when values is not NULL."""
    lines: list[str] = []
    gates = gate_flags(scope)
    for entry in scope.entries:
        if isinstance(entry, Counter):
            lines += _take_count(entry, context.low)
        elif isinstance(entry, Inner):
            lines += _take_inner(entry, context)
        elif isinstance(entry, Member):
            lines += _take_member(entry, gates.get(entry.slot.name, []), context)
        else:
            lines += _take_fixed(entry, context)
    return lines


def take_locals(scope: Scope, context: Context) -> list[str]:
    """The variables of a take."""
    lists = [entry.name for entry in scope.inner if isinstance(entry.entry, Repeat)]
    lines = [f"uint8_t {name}_items;" for name in lists]
    lines += [f"uint8_t {entry.name}_there;" for entry in scope.inner if isinstance(entry.entry, Gate)]
    lines += [context.status] if scope.inner else []
    return [*lines, "uint8_t place;"] if lists or any(member.length for member in scope.members) else lines


def _take_fixed(slot: Slot, context: Context) -> list[str]:
    transform = slot.transform
    before = (Status.OTHER_REVISION, Status.UNKNOWN_MESSAGE)
    if not isinstance(transform, Fixed) or transform.reason in before:
        return [f"*at += {slot.bits}u;"]
    value = unsigned(slot.bits).literal(transform.value)
    test = f"if ({context.low}_get(octets, at, {slot.bits}u) != {value}) {{"
    return [test, context.refuse(transform.reason), "}"]


def _take_count(entry: Counter, low: str) -> list[str]:
    size, name = entry.repeat.item_octets or 1, entry.repeat.name
    code = local(entry.slot)
    items = f"{code} / {size}u" if size > 1 else code
    write = [f"values->{name}_count = {name}_items;"]
    body = [*_read(entry.slot, low, declare=True), f"{name}_items = (uint8_t)({items});", *_when_target(write)]
    return ["{", *indent(body), "}"]


def _take_inner(entry: Inner, context: Context) -> list[str]:
    name, scope = entry.name, entry.scope
    if isinstance(entry.entry, Repeat):
        call = context.call(f"{scope.struct}_take(octets, at, values != NULL ? &values->{name}[place] : NULL)")
        return [f"for (place = 0u; place < {name}_items; place++) {{", *indent(call), "}"]
    call = context.call(f"{scope.struct}_take(octets, at, values != NULL ? &values->{name} : NULL)")
    return [f"if ({name}_there != 0u) {{", *indent(call), "}"]


def _when_target(lines: list[str]) -> list[str]:
    return ["if (values != NULL) {", *indent(lines), "}"]


def _take_member(member: Member, groups: list[str], context: Context) -> list[str]:
    if member.length:
        return _take_array(member, context)
    slot = member.slot
    body = [*_read(slot, context.low, declare=True), *gap_check(slot, context.names)]
    body += [f"{name}_there = {local(slot)};" for name in groups]
    return ["{", *indent([*body, *_when_target(assignment(member, local(slot)))]), "}"]


def _take_array(member: Member, context: Context) -> list[str]:
    slot, count = member.slot, member.slot.bits // 8
    target = f"values->{member.name}[place]"
    letter = f"const uint8_t letter = (uint8_t){context.low}_get(octets, at, 8u);"
    if isinstance(slot.transform, Opaque):
        inside = [letter, *_when_target([f"{target} = letter;"])]
        return [f"for (place = 0u; place < {count}u; place++) {{", *indent(inside), "}"]
    ended = f"{slot.name}_ended"
    inside = [
        letter,
        "if (letter == 0u) {",
        f"    {ended} = 1u;",
        f"}} else if ({ended} != 0u || letter < 0x20u || letter > 0x7eu) {{",
        context.refuse(Status.NOT_A_VALUE),
        "}",
        *_when_target([f"{target} = (char)letter;"]),
    ]
    end = _when_target([f"values->{member.name}[{count}] = '\\0';"])
    loop = [f"for (place = 0u; place < {count}u; place++) {{", *indent(inside), "}"]
    return ["{", *indent([f"uint8_t {ended} = 0u;", *loop, *end]), "}"]


# ---- writing --------------------------------------------------------------------------------------------------------


def lay_lines(scope: Scope, context: Context, sequence: Slot | None = None) -> list[str]:
    """The body of `lay(values, octets, at)`: checks in wire order; writes when octets is not NULL.

    A frame's own has the frame's length in `length`, for the field that carries it. sequence: a sealed frame's, whose
    code stands in its local variable.
    """
    lines: list[str] = []
    for entry in scope.entries:
        if isinstance(entry, Counter):
            lines += _lay_count(entry, context)
        elif isinstance(entry, Inner):
            lines += _lay_inner(entry, context)
        elif isinstance(entry, Member) and entry.slot is sequence:
            lines += _put(entry.slot, local(entry.slot), context.low)
        elif isinstance(entry, Member):
            lines += _lay_member(entry, context)
        elif isinstance(entry.transform, Length):
            before = f" - {entry.end // 8}u" if entry.transform.covers == "rest" else ""
            lines += _put(entry, f"({unsigned(entry.bits).name})(length{before})", context.low)
        elif isinstance(entry.transform, Fixed):
            lines += _put(entry, unsigned(entry.bits).literal(entry.transform.value), context.low)
    return lines


def lay_locals(scope: Scope, context: Context) -> list[str]:
    """The variables of a lay."""
    lists = any(isinstance(entry.entry, Repeat) for entry in scope.inner)
    lines = [context.status] if scope.inner else []
    return [*lines, "uint8_t place;"] if lists or any(member.length for member in scope.members) else lines


def _put(slot: Slot, code: str, low: str) -> list[str]:
    if not slot.low_first:
        return [f"{low}_put(octets, at, {code}, {slot.bits}u);"]
    return [f"{low}_put(octets, at, {part}, 8u);" for part in octets_of(code, slot.bits // 8)]


def _lay_count(entry: Counter, context: Context) -> list[str]:
    repeat, ctype = entry.repeat, unsigned(entry.slot.bits)
    items = f"values->{repeat.name}_count"
    lines: list[str] = []
    if repeat.at_most < 255:
        lines += [f"if ({items} > {repeat.at_most}u) {{", context.refuse(Status.TOO_MANY), "}"]
    if repeat.least:
        lines += [f"if ({items} < {repeat.least}u) {{", context.refuse(Status.OUT_OF_RANGE), "}"]
    code = f"({ctype.name})({items} * {repeat.item_octets}u)" if repeat.item_octets else items
    return [*lines, *_put(entry.slot, code, context.low)]


def _lay_inner(entry: Inner, context: Context) -> list[str]:
    if isinstance(entry.entry, Repeat):
        call = context.call(f"{entry.scope.struct}_lay(&values->{entry.name}[place], octets, at)")
        return [f"for (place = 0u; place < values->{entry.control}; place++) {{", *indent(call), "}"]
    call = context.call(f"{entry.scope.struct}_lay(&values->{entry.name}, octets, at)")
    return [f"if (values->{entry.control} != 0u) {{", *indent(call), "}"]


def _lay_member(member: Member, context: Context) -> list[str]:
    refusal = context.names[Status.OUT_OF_RANGE]
    if not member.length:
        checks, code = plain_code(member, refusal)
        lines = [*checks, *_put(member.slot, code, context.low)]
        return ["{", *indent(lines), "}"] if any(line.endswith("_code;") for line in checks) else lines
    check = text_check(member, refusal) if isinstance(member.slot.transform, Text) else []
    put = f"    {context.low}_put(octets, at, {element(member, 'place')}, 8u);"
    lines = [*check, f"for (place = 0u; place < {member.slot.bits // 8}u; place++) {{", put, "}"]
    return ["{", *indent(lines), "}"] if check else lines


def widest(scopes: list[Scope]) -> CType:
    """The type that the bit cursor's functions move: the smallest that holds every slot of these structs."""
    most = 8
    for scope in scopes:
        for one in scope.every:
            for entry in one.entries:
                slot = entry if isinstance(entry, Slot) else getattr(entry, "slot", None)
                if isinstance(slot, Slot) and not isinstance(slot.transform, Text | Opaque):
                    most = max(most, slot.bits if not slot.low_first else 8)
    return unsigned(most)
