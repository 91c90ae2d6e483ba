"""What stands at the end of every frame: a CRC by name or parameters, or a sum, over a stated part, in an order."""

from collections.abc import Callable

from ..checksum import Sum
from ..crc import AmbiguousCrc, Crc, UnknownCrc, by_name, faults_in
from ..layout import Integrity, Layout
from . import specfile

Complain = Callable[[str, tuple[str | int, ...], str, str | None], None]


def check_of(table: specfile.IntegrityTable | None, complain: Complain) -> Crc | Sum | None:
    """The CRC or sum that a spec names; None where there is none, or after a fault."""
    if table is None:
        return None
    if table.sum is not None:
        return _sum(table, table.sum, complain)
    if table.crc is None:
        complain("missing_key", ("integrity",), "this needs crc or sum", 'crc = "CRC-16/IBM-3740"')
        return None
    path = ("integrity", "crc")
    if isinstance(table.crc, specfile.CrcParameters):
        given = table.crc
        wrong = faults_in(given.width, given.poly, given.init, given.xorout)
        for text in wrong:
            word = text.split()[0]
            complain("bad_crc", (*path, word if word in ("width", "init", "xorout") else "poly"), text, None)
        if wrong:
            return None
        return Crc(None, given.width, given.poly, given.init, given.refin, given.refout, given.xorout)
    try:
        return by_name(table.crc)
    except AmbiguousCrc as error:
        help_text = 'the one whose check value your other end gives; for a new protocol crc = "CRC-16/IBM-3740"'
        text = f'{str(error).partition(":")[0]}\n"123456789" gives {" · ".join(error.checks)}'
        complain("ambiguous_crc", path, text, help_text)
    except UnknownCrc as error:
        near = f'crc = "{error.nearest[0] if error.nearest else "CRC-16/IBM-3740"}"'
        near += "" if error.nearest else ", for example; or its six parameters"
        text = str(error) if error.same else f'"{table.crc}" is no name in the catalogue of CRC algorithms'
        complain("unknown_crc", path, text, near)
    return None


def _sum(table: specfile.IntegrityTable, given: specfile.SumParameters, complain: Complain) -> Sum | None:
    if table.crc is not None:
        complain("two_checks", ("integrity", "sum"), "there is a crc already; a frame ends with one of them", None)
        return None
    if given.start >> given.bits:
        text = f"{given.start} does not fit in {given.bits} bits"
        complain("too_large", ("integrity", "sum", "start"), text, f"at most {(1 << given.bits) - 1}")
        return None
    return Sum(given.bits, given.start, given.invert)


def integrity_of(
    table: specfile.IntegrityTable | None, check: Crc | Sum | None, layouts: list[Layout], complain: Complain
) -> Integrity | None:
    """The check with its first octet and its octet order; None where there is none, or after a fault."""
    if table is None:
        return None
    first_octet = _covers_from(table.covers_from, layouts, complain)
    if check is None:
        return None
    low = isinstance(check, Crc) and check.refout
    high_first = not low if table.octet_order is None else table.octet_order == "high_first"
    return Integrity(check, first_octet, high_first)


def _covers_from(name: str | None, layouts: list[Layout], complain: Complain) -> int:
    if name is None:
        return 0
    path = ("integrity", "covers_from")
    starts: set[int] = set()
    for layout in layouts:
        slot = next((slot for slot in layout.slots if slot.name == name), None)
        if slot is None:
            text = f'frame "{layout.name}" has no field "{name}" at a fixed place'
            complain("unknown_name", path, text, "a field of the header")
            return 0
        before = [other for other in layout.slots if other.offset < slot.offset]
        loose = next((other for other in before if other.kind != "constant"), None)
        if loose:
            text = f'"{loose.name}" stands before "{name}" and would be unprotected; only constants may'
            complain("unprotected", path, text, None)
            return 0
        if slot.offset % 8:
            text = f'"{name}" begins inside octet {slot.offset // 8}; a check covers whole octets'
            complain("unaligned", path, text, None)
            return 0
        starts.add(slot.offset // 8)
    if len(starts) > 1:
        text = f'"{name}" does not begin at the same octet in every frame'
        complain("unaligned", path, text, "a field of the header")
    return min(starts, default=0)
