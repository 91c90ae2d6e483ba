"""What is told of a sealed frame's octets: how it was opened, which of them are encrypted, what its tag says.

Without a key the clear part alone can be read; what depends on encrypted counts is not guessed from encrypted octets.
"""

from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING

from ..errors import Refused
from ..layout import Layout
from ..protocol import Protocol
from ..status import Status
from .octet_rows import Row, hidden_rows

if TYPE_CHECKING:
    from ..seal.keys import Key

_MOST_NAMES = 12
"""Names listed of what is encrypted."""


class Opening:
    """Opens one frame, and remembers what came out even where a field of it is then refused.

    keys: station -> key, None for a reader that has none. from_counter: the lowest number to try. body: the body in the
    clear, counter: its whole number, owner: whose key it was (None: the group's); body is None until a tag has fitted.
    """

    def __init__(self, protocol: Protocol, keys: "Mapping[int | None, Key] | None", from_counter: int) -> None:
        self.body: bytes | None = None
        self.counter = 0
        self.owner: int | None = None
        self.opener = None
        if keys is not None and protocol.seal is not None:
            from .. import sealed

            self._protocol, self._sealed = protocol, sealed.Opener(keys, from_counter)
            self.opener = self._open

    def _open(self, layout: Layout, body: bytes, tag: bytes) -> tuple[bytes, int]:
        self.body, self.counter = self._sealed.opened(self._protocol, layout, body, tag)
        self.owner = next(owner for _, owner, _ in self._sealed.heard)
        return self.body, self.counter

    @property
    def whose(self) -> str:
        """Whose key it was."""
        return "the group" if self.owner is None else f"station {self.owner}"


def first_hidden(layout: Layout | None) -> int | None:
    """The first encrypted octet of a frame, None where nothing is."""
    return layout.sealing.first_octet if layout and layout.sealing else None


def readable(layout: Layout, octets: bytes) -> bytes:
    """The octets that anybody can read: all but the encrypted ones and what is behind them."""
    return octets[: first_hidden(layout)]


def hides_counts(layout: Layout) -> bool:
    """Whether the length of a frame depends on what is encrypted in it."""
    return first_hidden(layout) is not None and bool(layout.tail)


def encrypted_rows(layout: Layout, octets: bytes, body: int, opened: bool) -> Iterator[Row]:
    """The rows of the encrypted octets as received. body: octets before the tag."""
    first = first_hidden(layout)
    assert first is not None
    names = [entry.name for entry in layout.entries if entry.name]
    names = [name for name in names if name not in {slot.name for slot in layout.slots if slot.offset < 8 * first}]
    more = len(names) - _MOST_NAMES
    text = ", ".join(names[:_MOST_NAMES]) + (f" and {more} more" if more > 0 else "")
    if opened:
        text = "opened:"
    elif body <= first:
        text = f"missing: {text}"
    elif body < layout.least_octets - layout.end_octets:
        text = f"cut: {text}"
    yield from hidden_rows(octets, min(first, body), body, "(encrypted)", text)


def tag_rows(
    layout: Layout, octets: bytes, body: int, end: int, opening: Opening, refused: Refused | None
) -> Iterator[Row]:
    """The rows of the tag. body: octets before it; end: octets before the check."""
    if end - body < layout.tag_octets:
        text = "cut" if end > body else "missing"
    elif opening.body is not None:
        text = f"fits: number {opening.counter}, key of {opening.whose}"
    elif refused is not None and refused.reason is Status.WRONG_TAG:
        text = "does not fit"
    elif refused is not None and refused.reason is Status.NO_KEY:
        text = "not checked: no key"
    else:
        text = "not checked"
    yield from hidden_rows(octets, body, end, "tag", text)
