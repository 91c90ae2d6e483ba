"""How far a long job is: a bar on a terminal, only after the first second, gone when the job is done."""

import sys
import time
from collections.abc import Callable, Iterable, Iterator
from typing import TYPE_CHECKING, TypeVar

if TYPE_CHECKING:
    from rich.progress import Progress

Item = TypeVar("Item")

_PATIENCE_S = 1.0
"""Jobs that end sooner show nothing."""


def progress(
    items: Iterable[Item], total: float, what: str, size: Callable[[Item], float] = lambda _: 1, quiet: bool = False
) -> Iterator[Item]:
    """Pass items on, and show on standard error how many of the total have gone by.

    items: what is worked on. total: the sum of all sizes. what: a word for it. size: of one item. quiet: show nothing,
    for jobs whose own output is on the terminal. Nothing is shown either where standard error is no terminal.
    """
    if quiet or not sys.stderr.isatty():
        yield from items
        return
    bar, done, begin = None, 0.0, time.monotonic()
    try:
        for item in items:
            yield item
            done += size(item)
            if bar is None and time.monotonic() - begin > _PATIENCE_S:
                bar = _bar(what, total)
            if bar is not None:
                bar.update(bar.task_ids[0], completed=done)
    finally:
        if bar is not None:
            bar.stop()


def _bar(what: str, total: float) -> "Progress":
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn

    columns = (TextColumn("{task.description}"), BarColumn(), TaskProgressColumn())
    bar = Progress(*columns, console=Console(stderr=True), transient=True)
    bar.add_task(what, total=total)
    bar.start()
    return bar
