"""One run of `decode`: every line is judged, counted, and given to the table or file that was asked for."""

import os
import sys
from collections.abc import Callable
from typing import TYPE_CHECKING

from ullage.layout import header_slot
from ullage.logs.lines import Found, LineReader, Rejected

from ..screen import Stop, complain, load_spec, say
from .csv import CsvFolder, CsvStream
from .opening import Opening
from .output import JsonLines, Sink
from .source import Source, check_files, spoken
from .table import Table
from .tally import Tally
from .wish import Wish

if TYPE_CHECKING:
    from ullage import Message, Protocol

__all__ = ["Wish", "run"]

_INTERRUPTED = 130


def run(wish: Wish) -> int:
    """Do what was asked for.

    Returns the exit code: 0 for work done, 130 for Ctrl-C. Raises Stop for a wrong request (2), and when more was
    refused than the user allows (1).
    """
    wish.check_alone()
    protocol = load_spec(wish.spec)
    wish.check_with(protocol)
    opening = Opening.asked(wish, protocol)
    check_files(wish.files)
    # Without a check at its end, a part of a neighbour's frame would too easily be one of ours.
    reader = LineReader(protocol.shortest, wish.notation, wish.after, wish.skip, parts=protocol.integrity is not None)
    sink = _sink(wish, protocol)

    def before_reading() -> None:
        # Numbers are kept before their rows are let out, or these could come again.
        if sink.at_once:
            opening.keep()
        sink.flush()

    source = Source(opening.decoder, reader, wish.at, before_reading)
    tally = Tally(protocol, wish, opening)
    try:
        interrupted = _Pass(source, sink, tally, _shown(wish, protocol), opening).through(wish.files)
        for line in tally.summary(source.limit):
            (complain if wish.for_programs else say)(line)
    except BrokenPipeError:
        _leave_pipe()
        return 0
    if interrupted:
        return _INTERRUPTED
    _judge(wish, tally)
    return 0


class _Pass:
    """One pass over all files."""

    def __init__(
        self, source: Source, sink: Sink, tally: Tally, shown: "Callable[[Message], bool]", opening: Opening
    ) -> None:
        self._opening = opening
        self._source = source
        self._sink = sink
        self._tally = tally
        self._shown = shown

    def through(self, files: tuple[str, ...]) -> bool:
        """Read all files. Returns whether Ctrl-C ended it; what was read by then counts, and is kept."""
        interrupted = False
        try:
            try:
                for file in files:
                    self._file(file)
            except KeyboardInterrupt:
                interrupted = True
            self._opening.keep()
            self._sink.end()
            self._sink.flush()
        except BaseException:
            self._sink.abandon()
            raise
        return interrupted

    def _file(self, file: str) -> None:
        sink, tally, before = self._sink, self._tally, self._tally.lines
        sink.begin(file)
        for line, answer in self._source.lines(file):
            tally.too_long += line.too_long
            if isinstance(answer, Found):
                tally.unsealed += not answer.message.sealed
                if self._shown(answer.message):
                    tally.readings += 1
                    sink.reading(line, answer)
                else:
                    tally.not_shown += 1
                    sink.hidden()
            elif isinstance(answer, Rejected):
                tally.refuse(line, answer)
                sink.refused(line, answer)
            else:
                tally.nothing += 1
                sink.nothing(line)
        if tally.lines == before:
            complain(f"{spoken(file)} is empty")


def _sink(wish: Wish, protocol: "Protocol") -> Sink:
    """Where the lines go."""
    layouts = [layout for name, layout in protocol.frames.items() if not wish.frames or name in wish.frames]
    if wish.quiet:
        return Sink()
    if wish.json:
        return JsonLines(protocol, sys.stdout.buffer, wish.every_line)
    if wish.csv and wish.folder is not None:
        return CsvFolder(layouts, wish.folder, protocol.seal is not None)
    if wish.csv:
        return CsvStream(layouts[0], sys.stdout.buffer, protocol.seal is not None)
    return Table(protocol, sys.stdout, headed=len(wish.files) > 1)


def _shown(wish: Wish, protocol: "Protocol") -> "Callable[[Message], bool]":
    """Whether a reading was asked for."""
    slot = header_slot(protocol.frames, "source")
    source = slot.name if slot else ""
    senders, frames = wish.sources, frozenset(wish.frames)

    def shown(message: "Message") -> bool:
        return (not frames or message.frame in frames) and (not senders or message.values[source] in senders)

    return shown


def _judge(wish: Wish, tally: Tally) -> None:
    """Raise Stop with code 1 when more was refused than the user allows."""
    most, share = wish.most_refused(), tally.refused_share()
    if most is None or share <= most:
        return
    if wish.strict:
        raise Stop(f"--strict: {tally.refused} of the frames {'was' if tally.refused == 1 else 'were'} refused", code=1)
    raise Stop(f"--allow-refused {wish.allow_refused}: {float(100 * share):.1f} % of the frames were refused", code=1)


def _leave_pipe() -> None:
    """Whoever read our output (head, less) has seen enough: what is still buffered goes nowhere, without a word."""
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, sys.stdout.fileno())
    os.close(nowhere)
