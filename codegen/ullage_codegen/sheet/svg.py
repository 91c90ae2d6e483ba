"""A ruler drawn as SVG: rows of 32 bits (RFC 2360 section 3.1), or of 16 for a narrow screen.

Both numberings stand above it: bit 0 is the most significant one (RFC 791, appendix B), and below it the numbers that
bits have in a register. The digits are dots until a frame is shown; the page's program puts them in.
"""

from html import escape

from .rulers import Cell, Strip

BIT = 24
"""Width of one bit."""
ROOM = 3
"""Letters of a name that fit on one bit."""
_HATCH = 5
"""Height of the slanted lines that stand for encryption, and how far apart they are."""
_LABEL, _BAR, _DIGITS, _HEX, _GAP = 15, 24, 17, 14, 8


def svg(strip: Strip, per_row: int) -> str:
    """The drawing of one strip. per_row: bits of a row, 32 or 16."""
    width = BIT * min(per_row, max(strip.bits, 8))
    rows = -(-strip.bits // per_row)
    scale = 28 if strip.whole else 16
    height = _label(strip) + _BAR + _DIGITS + (_HEX if strip.whole else 0) + _GAP
    out = [
        f'<svg class="ruler bits{per_row}" viewBox="0 0 {width} {scale + rows * height}" width="{width}" '
        f'role="img" aria-label="{escape(_told(strip))}">'
    ]
    out += _scale(strip, min(per_row, strip.bits))
    for row in range(rows):
        out += _row(strip, row * per_row, min(strip.bits, (row + 1) * per_row), scale + row * height)
    return "\n".join([*out, "</svg>"])


def _label(strip: Strip) -> int:
    return _LABEL if strip.fixed else 2


def _told(strip: Strip) -> str:
    """The ruler for those who hear the page."""
    return "; ".join(f"{cell.name}: {_bits(cell)}{', encrypted' if cell.hidden else ''}" for cell in strip.cells)


def _bits(cell: Cell) -> str:
    return f"bit {cell.offset}" if cell.bits == 1 else f"bits {cell.offset} to {cell.end - 1}"


def _scale(strip: Strip, bits: int) -> list[str]:
    """The two numberings."""
    lines = [_text("scale", 10, range(bits), list(range(bits)))]
    if strip.whole:
        lines.append(_text("scale register", 22, range(bits), [7 - bit % 8 for bit in range(bits)]))
    return lines


def _text(kind: str, y: int, columns: range, numbers: list[int]) -> str:
    spans = "".join(f'<tspan x="{_middle(at)}">{number}</tspan>' for at, number in zip(columns, numbers, strict=True))
    return f'<text class="{kind}" y="{y}">{spans}</text>'


def _middle(column: int) -> int:
    return column * BIT + BIT // 2


def _row(strip: Strip, first: int, last: int, top: int) -> list[str]:
    bar = top + _label(strip)
    out = []
    for bit in range(first, last, 8):
        x = (bit - first) * BIT
        if strip.fixed:
            out.append(f'<text class="octet" x="{x + 1}" y="{top + 10}">octet {bit // 8}</text>')
        if strip.whole:
            y = bar + _BAR + _DIGITS + _HEX - 3
            out.append(f'<text class="hex" data-bit="{bit}" x="{x + 4 * BIT}" y="{y}"></text>')
    for cell in strip.cells:
        begin, end = max(cell.offset, first), min(cell.end, last)
        if begin < end:
            out.append(_piece(cell, begin, end, first, bar))
    return out


def _piece(cell: Cell, begin: int, end: int, first: int, bar: int) -> str:
    """As much of a cell as stands in one row."""
    x, width = (begin - first) * BIT, (end - begin) * BIT
    kinds = "cell head" if cell.header else "cell hidden" if cell.hidden else "cell"
    name = _fitting(cell, begin, end)
    columns = " ".join(str(_middle(bit - first)) for bit in range(begin, end))
    dots = "·" * (end - begin)
    line = bar + (13 if cell.hidden else 16)
    return (
        f'<g class="{kinds}" data-slot="{cell.id}"><title>{escape(cell.name)}, {_bits(cell)}'
        f"{', encrypted' if cell.hidden else ''}</title>"
        f'<rect x="{x + (0 if begin > cell.offset else 1)}" y="{bar}" '
        f'width="{width - (begin == cell.offset) - (end == cell.end)}" height="{_BAR}"/>'
        f"{_hatching(x, width, bar) if cell.hidden else ''}"
        f'<text class="name{" key" if name == cell.key and cell.key else ""}" x="{x + width // 2}" y="{line}">'
        f"{escape(name)}</text>"
        f'<text class="digits" data-bit="{begin}" x="{columns}" y="{bar + _BAR + 13}">{dots}</text></g>'
    )


def _hatching(x: int, width: int, top: int) -> str:
    """Slanted lines over a bar along its lower edge, so that a name on it can be read."""
    foot = top + _BAR - 1
    lines = "".join(f"M{at} {foot}l{_HATCH} -{_HATCH}" for at in range(x + 2, x + width - _HATCH, _HATCH))
    return f'<path class="hatch" d="{lines}"/>'


def _fitting(cell: Cell, begin: int, end: int) -> str:
    """The name, with dots where the field goes on in another row, or its key, or nothing but dots."""
    before, after = ("… " if begin > cell.offset else ""), (" …" if end < cell.end else "")
    room = ROOM * (end - begin) - 1
    for text in (f"{before}{cell.name}{after}", cell.key):
        if text and len(text) <= max(room, 2):
            return text
    return "…"
