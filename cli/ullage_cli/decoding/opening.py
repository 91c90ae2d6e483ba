"""What `decode` opens sealed frames with: keys, the numbers that were accepted, and what there is to say of both.

The numbers of --state are read before the first line and written whole, under another name first, before any row that
they let pass is shown. Beside them stands a mark of each key: the numbers of a key that was replaced end with it.
"""

import hmac
import json
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ullage import Message, Protocol, Status

from ..keys import keys_of
from ..screen import Stop, complain, write_whole
from .source import accepting
from .wish import Wish

if TYPE_CHECKING:
    from ullage import Receiver
    from ullage.seal.keys import Key

_FORM = "ullage replay windows"
_MOST_OCTETS = 1 << 26


class Opening:
    """The receiver of one run, or the bare protocol where no keys are given."""

    def __init__(
        self, protocol: Protocol, keys: "Mapping[int | None, Key] | None", from_counter: int, state: Path | None
    ) -> None:
        self._protocol, self._keys, self._from = protocol, keys, from_counter
        self._state = state
        self._receiver = self._fresh()
        self._kept: list[dict[str, Any]] | None = None
        self._marks = {_name(owner): _mark(key) for owner, key in (keys or {}).items()}
        if self._receiver is not None and state is not None:
            self._restore(self._receiver, state)

    @classmethod
    def asked(cls, wish: Wish, protocol: Protocol) -> "Opening":
        """What the words on the command line ask for. Raises Stop."""
        keys = keys_of(protocol, wish.keys)
        start = wish.from_counter
        for option, value in (("--from-counter", start), ("--state", wish.state)):
            if value is not None and protocol.seal is None:
                raise Stop(f"{option} {value}: {protocol.name} has no sealed frames\n  help: leave it out")
            if value is not None and keys is None:
                raise Stop(f"{option} {value}: it goes with keys\n  help: --keys FILE; ullage key --help")
        if start is not None and protocol.seal is not None and start >> protocol.seal.counter_bits:
            raise Stop(f"--from-counter {start}: a counter of {protocol.seal.counter_bits} bits never gets there")
        if wish.state is not None:
            taken = [Path(one).resolve() for one in (wish.spec, *wish.files, wish.keys) if one is not None]
            if wish.state.resolve() in taken:
                raise Stop(f"--state {wish.state}: this file is read already, and would be written over")
        return cls(protocol, keys, start or 0, wish.state)

    @property
    def decoder(self) -> "Protocol | Receiver":
        """What answers for the octets of a line."""
        return self._receiver or self._protocol

    def without_memory(self, at: int | None) -> Callable[[bytes], Message]:
        """The same answers for octets that are only tried: no number counts as accepted for it."""
        if self._keys is None:
            return accepting(self._protocol, at)
        return lambda octets: accepting(self._fresh() or self._protocol, at)(octets)

    def keep(self) -> None:
        """Write the numbers accepted so far, where they are to be kept and have changed."""
        if self._receiver is None or self._state is None:
            return
        windows = self._receiver.saved()
        if windows != self._kept:
            data = {"form": _FORM, "keys": self._marks, "windows": windows}
            write_whole(self._state, json.dumps(data, indent=1) + "\n")
            self._kept = windows

    def why(self, status: Status, said: Mapping[str, int]) -> str:
        """What the summary says of a reason. said: how often it came in which words."""
        if status is Status.NO_KEY:
            if self._keys is None:
                return "sealed, and no keys are given; --keys FILE opens them (ullage key --help)"
            return "; ".join(list(said)[:3]) + (f", and {len(said) - 3} more" if len(said) > 3 else "")
        if status is Status.REPLAY:
            return "authentic, but accepted before or too old: a repeat, or somebody plays back a recording"
        text = "forged, damaged, or sealed with another key"
        anything = self._receiver is not None and any(heard.accepted for heard in self._receiver.heard.values())
        return text if anything else f"{text}; of a node that counts far on, see --from-counter"

    def notes(self, unsealed: int) -> Iterator[str]:
        """Lines for the end of the summary. unsealed: frames that no tag vouched for."""
        if self._protocol.seal is not None and unsealed:
            were = "frame was" if unsealed == 1 else "frames were"
            yield f"{unsealed} {were} not sealed: anyone with this radio can send such"
        for (_, owner, source), heard in self._receiver.heard.items() if self._receiver else ():
            if heard.looks_restarted:
                to = "" if owner == source else f" to {_spoken(owner)}"
                yield f"authentic frames of station {source}{to} come with old numbers: they were read before, somebody"
                yield "  plays back a recording, or the station has lost its counter (then it needs a fresh key, or"
                yield f"  numbers beyond {heard.window.top})"

    def _fresh(self) -> "Receiver | None":
        from ullage import Receiver

        return None if self._keys is None else Receiver(self._protocol, self._keys, self._from)

    def _restore(self, receiver: "Receiver", state: Path) -> None:
        from ullage.seal import SealError

        if state.is_dir():
            raise Stop(f"{state}: this is a folder; give a file")
        if not state.parent.is_dir():
            raise Stop(f"{state.parent}: there is no such folder")
        if not state.exists():
            complain(f"{state}: not there yet, so no number counts as accepted before")
            return
        try:
            with state.open("rb") as stream:
                data = json.loads(stream.read(_MOST_OCTETS))
            receiver.restore(self._of_these_keys(data, state))
        except (ValueError, RecursionError):
            raise Stop(_unusable(state, "this is no JSON")) from None
        except SealError as error:
            raise Stop(_unusable(state, str(error))) from None
        self._kept = receiver.saved()

    def _of_these_keys(self, data: Any, state: Path) -> list[dict[str, Any]]:
        """The saved windows without those of keys that were replaced since; of keys that are not given all stay."""
        from ullage.seal import SealError

        if not isinstance(data, dict) or set(data) != {"form", "keys", "windows"} or data["form"] != _FORM:
            raise SealError("these are no saved replay windows")
        marks, windows = data["keys"], data["windows"]
        if not isinstance(marks, dict) or not all(isinstance(mark, str) for mark in marks.values()):
            raise SealError("these are no saved replay windows: the marks of the keys are missing")
        replaced = {name for name, mark in marks.items() if self._marks.get(name, mark) != mark}
        self._marks = marks | self._marks
        if not replaced or not isinstance(windows, list):
            return windows  # type: ignore[no-any-return]  # the receiver looks at it
        complain(f"{state}: numbers begin anew where a key was replaced: {', '.join(sorted(replaced))}")
        return [one for one in windows if not (isinstance(one, dict) and _name(one.get("key")) in replaced)]


def _name(owner: object) -> str:
    """An owner as the state names it, as a key file does."""
    return "group" if owner is None else str(owner)


def _spoken(owner: int | None) -> str:
    return "everybody" if owner is None else f"station {owner}"


def _mark(key: "Key") -> str:
    """Tells a key from another one, and nothing of what it is: 32 bits of a keyed hash of a fixed text."""
    return hmac.digest(key.octets, _FORM.encode(), "sha256")[:4].hex()


def _unusable(state: Path, why: str) -> str:
    cure = "take an older copy only if no frame was accepted since; a new file accepts every old frame once more"
    return f"{state}: {why}\n  help: {cure}"
