"""The statements of the emitted Python module: tables of slots, and straight-line reading and writing of fixed frames.

A frame is one big integer. What is read is put together in one expression; what does not fit goes to the table's walk,
which asks in wire order. Locals that hold a field end in an underscore, as no name of a spec does.
"""

from ullage.bodies import length_of
from ullage.layout import Binary32, Choice, Entry, Fixed, Flag, Layout, Length, Opaque, Repeat, Scaled, Slot, Text
from ullage.values import expectation

from .names import literal

_CLASSES = {Scaled: "_Scaled", Flag: "_Flag", Choice: "_Choice", Text: "_Text", Opaque: "_Opaque"}
_CLASSES |= {Binary32: "_Binary32", Fixed: "_Fixed", Length: "_Length"}

_LINE = 100


def slot_name(path: tuple[str, ...], slot: Slot, place: int) -> str:
    """What a slot is called in the module. place: among its neighbours, for fill bits, which have no name."""
    return f"_slot__{'__'.join((*path, slot.name or str(place)))}"


def slot_lines(frame: str, path: tuple[str, ...], entries: tuple[Entry, ...]) -> list[str]:
    """Assignments of a frame's slots, those in lists and groups too."""
    lines: list[str] = []
    for place, entry in enumerate(entries):
        if isinstance(entry, Slot):
            lines.append(f"{slot_name(path, entry, place)} = {_slot(frame, entry)}")
        else:
            lines += slot_lines(frame, (*path, entry.name), entry.entries)
    return lines


def _slot(frame: str, slot: Slot) -> str:
    octets = slot.bits // 8 if slot.low_first else 0
    place = [literal(frame), literal(slot.name), str(slot.offset), str(slot.bits), literal(expectation(slot))]
    place += [str(octets)] if octets else []
    return f"{_CLASSES[type(slot.transform)]}({', '.join(place + _options(slot))})"


def _options(slot: Slot) -> list[str]:
    """What a slot's class must know beside its place."""
    match slot.transform:
        case Scaled() as scaled:
            options = [f"first={scaled.first}"] if scaled.first else []
            options += [f"lowest={scaled.lowest}", f"highest={scaled.highest}"]
            options += [f"step=({scaled.step.numerator}, {scaled.step.denominator})"] if scaled.step != 1 else []
            options += ["signed=True"] if scaled.signed else []
            options += ["clamp=True"] if scaled.clamp else []
            return [*options, _codes({special.name: special.code for special in scaled.specials})]
        case Choice(codes):
            return [_codes({code.name: code.code for code in codes})]
        case Fixed(value, reason):
            return [f"always={value}", f"reason={literal(str(reason))}"]
        case _:
            return []


def _codes(codes: dict[str, int]) -> str:
    return "codes={" + ", ".join(f"{literal(name)}: {code}" for name, code in codes.items()) + "}"


def entry_lines(path: tuple[str, ...], entries: tuple[Entry, ...], names: dict[tuple[str, ...], str]) -> list[str]:
    """The lines of a tuple's items: slots by name, lists and groups with their own entries inside."""
    lines: list[str] = []
    for place, entry in enumerate(entries):
        if isinstance(entry, Slot):
            lines.append(f"{slot_name(path, entry, place)},")
            continue
        inner = (*path, entry.name)
        if isinstance(entry, Repeat):
            limits = f"{entry.item_octets or 0}, {entry.least}, {entry.at_most}"
            lines.append(f"_List({literal(entry.name)}, {literal(entry.counted_by)}, {limits}, (")
        else:
            lines.append(f"_Group({literal(entry.name)}, {literal(entry.when)}, (")
        lines += [f"    {line}" for line in entry_lines(inner, entry.entries, names)]
        lines.append(f"), {names[inner]}),")
    return lines


def read_lines(layout: Layout, made: str) -> list[str]:
    """The statements that read a frame of one length from `word`, its octets before the check, and return it."""
    total, path = 8 * layout.body_octets, (layout.name,)
    doubts: list[str] = []
    mask = value = 0
    lines: list[str] = []
    values: list[str] = []
    for place, slot in enumerate(layout.slots):
        shift = total - slot.end
        if isinstance(slot.transform, Fixed):
            if slot.kind not in ("message", "revision"):  # asked before
                mask |= ((1 << slot.bits) - 1) << shift
                value |= slot.transform.value << shift
        elif slot.given:
            statements, doubt, expression = _read(slot, code_text(slot, total), slot_name(path, slot, place))
            lines += statements
            doubts += doubt
            values.append(f"{literal(slot.name)}: {expression},")
    if mask:
        doubts.insert(0, f"word & {mask:#x} != {value:#x}" if value else f"word & {mask:#x}")
    if doubts:
        lines += [*_condition(doubts), f"    _doubt(_slots__{layout.name}, word)"]
    lines.append(f"message = _new({made})")
    values += ['"_counter": _counter,'] if layout.sealing else []
    return [*lines, '_set(message, "__dict__", {', *(f"    {line}" for line in values), "})", "return message"]


def _condition(doubts: list[str]) -> list[str]:
    """An if over any of these: on one line where there is room."""
    line = f"if {' or '.join(doubts)}:"
    if len(line) <= _LINE:
        return [line]
    return ["if (", *(f"    {'or ' if number else ''}{doubt}" for number, doubt in enumerate(doubts)), "):"]


def code_text(slot: Slot, total: int | str) -> str:
    """The expression for a slot's code in `word`. total: bits of the word, or an expression for them."""
    place = f"({total} - {slot.end})" if isinstance(total, str) else str(total - slot.end)
    shifted = "word" if place == "0" else f"word >> {place}"
    text = f"{shifted} & {(1 << slot.bits) - 1:#x}"
    return f"_turned({text}, {slot.bits // 8})" if slot.low_first else text


def _read(slot: Slot, code: str, table: str) -> tuple[list[str], list[str], str]:
    """Statements, conditions for a doubt, and the expression of the value of a slot's code."""
    local = f"{slot.name}_"
    match slot.transform:
        case Scaled() as scaled:
            return _read_scaled(slot, scaled, code, table)
        case Flag():
            return [], [], f"{code} == 1"
        case Opaque(octets):
            return [], [], f'({code}).to_bytes({octets}, "big")'
        case Choice():
            return [f"{local} = {table}.names.get({code})"], [f"{local} is None"], local
        case _:
            return [f"{local} = {table}.value({code})"], [f"{local} is None"], local


def _read_scaled(slot: Slot, scaled: Scaled, code: str, table: str) -> tuple[list[str], list[str], str]:
    local, first = f"{slot.name}_", scaled.first
    low, high = scaled.lowest - first, scaled.highest - first
    if not scaled.signed:
        if low == 0 and high == (1 << slot.bits) - 1:
            return [], [], _quantity(scaled, f"({code})" if first or scaled.step != 1 else code, first)
        if not scaled.specials:
            return [f"{local} = {code}"], [_outside(local, low, high)], _quantity(scaled, local, first)
        value = f"{_quantity(scaled, 'raw', first)} if {_inside('raw', low, high)} else {table}.names.get(raw)"
        return [f"raw = {code}", f"{local} = {value}"], [f"{local} is None"], local
    half = 1 << (slot.bits - 1)
    if not scaled.specials:
        doubt = _outside(local, scaled.lowest, scaled.highest, signed=True)
        return [f"{local} = ({code} ^ {half}) - {half}{_plus(first)}"], [doubt], _quantity(scaled, local)
    value = f"{_quantity(scaled, 'steps')} if {_inside('steps', scaled.lowest, scaled.highest, signed=True)}"
    lines = [f"raw = {code}", f"steps = (raw ^ {half}) - {half}{_plus(first)}"]
    return [*lines, f"{local} = {value} else {table}.names.get(raw)"], [f"{local} is None"], local


def _inside(name: str, low: int, high: int, signed: bool = False) -> str:
    return f"{low} <= {name} <= {high}" if low or signed else f"{name} <= {high}"


def _outside(name: str, low: int, high: int, signed: bool = False) -> str:
    return f"not {_inside(name, low, high, signed)}" if low or signed else f"{name} > {high}"


def _plus(number: int) -> str:
    return f" + {number}" if number > 0 else f" - {-number}" if number else ""


def _quantity(scaled: Scaled, code: str, first: int = 0) -> str:
    """The quantity of a code: (code + first) x numerator / denominator, in this order, so that it is rounded once."""
    text = code + _plus(first)
    if scaled.step != 1 and first:
        text = f"({text})"
    if scaled.step.numerator != 1:
        text += f" * {scaled.step.numerator}"
    return text if scaled.whole else f"{text} / {scaled.step.denominator}"


def write_lines(layout: Layout) -> list[str]:
    """The statements that make `body`, the octets before the check of a frame of one length, of what is `given`."""
    total, path = 8 * layout.body_octets, (layout.name,)
    word, lines = 0, []
    for place, slot in enumerate(layout.slots):
        shift = total - slot.end
        if isinstance(slot.transform, Fixed):
            word |= slot.transform.value << shift
        elif isinstance(slot.transform, Length):
            word |= slot.turned(length_of(slot, layout.octets)) << shift
        else:
            lines += [f"value = given[{literal(slot.name)}]", _write(slot, slot_name(path, slot, place), shift)]
    return [f"word = {word:#x}", *lines, f'body = word.to_bytes({layout.body_octets}, "big")']


def _write(slot: Slot, table: str, shift: int) -> str:
    code = f"{table}.code(value)"
    scaled = slot.transform
    if isinstance(scaled, Scaled) and scaled.step == 1:  # the usual case without a call
        quick = f"value{_plus(-scaled.first)}"
        quick = f"({quick}) & {(1 << slot.bits) - 1:#x}" if scaled.signed else quick
        code = f"({quick} if type(value) is int and {scaled.lowest} <= value <= {scaled.highest} else {code})"
    if slot.low_first:
        code = f"_turned({code}, {slot.bits // 8})"
    return f"word |= {code} << {shift}" if shift else f"word |= {code}"
