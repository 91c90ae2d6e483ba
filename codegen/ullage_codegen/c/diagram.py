"""A frame as a bit strip in the RFCs' 32-bit rows (RFC 2360 section 3.1): bit 0 is the most significant one."""

from collections.abc import Container, Sequence

from ullage.layout import Layout

_ROW = 32
RULER = (
    " 0                   1                   2                   3",
    " 0 1 2 3 4 5 6 7 8 9 0 1 2 3 4 5 6 7 8 9 0 1 2 3 4 5 6 7 8 9 0 1",
)


def strip(layout: Layout) -> list[str]:
    """The rows of a frame's picture, ruler first.

    layout: the frame. Returns lines of at most 65 characters; a field of n bits is 2n - 1 characters wide, and one
    that goes on in the next row says so with "...".
    """
    cells = [(slot.name or ".", slot.offset, slot.bits) for slot in layout.slots]
    if layout.tag_octets:
        cells.append(("tag", 8 * layout.body_octets, 8 * layout.tag_octets))
    if layout.check_octets:
        cells.append(("CRC", 8 * (layout.octets - layout.check_octets), 8 * layout.check_octets))
    return [*RULER, *rows(cells)]


def rows(cells: Sequence[tuple[str, int, int]], hatched: Container[int] = ()) -> list[str]:
    """The rows without the ruler. cells: name, offset in bits and width of what stands side by side, from bit 0 on.

    hatched: the offsets of those that are filled with colons.
    """
    found: list[str] = []
    for start in range(0, max((offset + bits for _, offset, bits in cells), default=0), _ROW):
        row = "|"
        for name, offset, bits in cells:
            first, last = max(offset, start), min(offset + bits, start + _ROW)
            if first < last:
                filler = ":" if offset in hatched else " "
                row += _cell(name, last - first, first > offset, last < offset + bits, filler) + "|"
        found.append(row)
    return found


def _cell(name: str, bits: int, begun: bool, goes_on: bool, filler: str) -> str:
    width = 2 * bits - 1
    room = width if filler == " " else width - 1  # some of the filling is always to be seen
    text = ("... " if begun else "") + name + (" ..." if goes_on else "")
    if len(text) > room:
        text = "..." if begun and room >= 3 else name[:room]
    return text.center(width, filler)
