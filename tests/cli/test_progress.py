"""A bar for what takes longer than a second, on a terminal alone, and never in the way of the work."""

import io
import os
import subprocess
import sys
from pathlib import Path

import pytest

from ullage_cli import progress as module
from ullage_cli.progress import progress

SPEC = str(Path(__file__).parents[2] / "spec" / "orchard.toml")


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


def test_items_pass_unchanged_and_a_bar_shows_the_share(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "_PATIENCE_S", -1.0)
    monkeypatch.setenv("TERM", "xterm")
    monkeypatch.setattr(sys, "stderr", Terminal())
    assert list(progress(range(50), 50, "counting")) == list(range(50))
    assert isinstance(sys.stderr, Terminal)
    assert "counting" in sys.stderr.getvalue()
    assert "%" in sys.stderr.getvalue()


def test_a_short_job_shows_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "stderr", Terminal())
    assert list(progress("abc", 3, "reading")) == ["a", "b", "c"]
    assert isinstance(sys.stderr, Terminal)
    assert sys.stderr.getvalue() == ""


@pytest.mark.parametrize("quiet", [False, True])
def test_no_terminal_or_rows_of_its_own_mean_no_bar(monkeypatch: pytest.MonkeyPatch, quiet: bool) -> None:
    monkeypatch.setattr(module, "_PATIENCE_S", -1.0)
    stream = Terminal() if quiet else io.StringIO()
    monkeypatch.setattr(sys, "stderr", stream)
    assert list(progress([1, 2], 2, "reading", quiet=quiet)) == [1, 2]
    assert stream.getvalue() == ""


def test_a_reader_that_stops_early_leaves_no_bar_behind(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "_PATIENCE_S", -1.0)
    monkeypatch.setattr(sys, "stderr", Terminal())
    with pytest.raises(ZeroDivisionError):
        [1 / (item - 3) for item in progress(range(5), 5, "reading")]


def test_the_log_in_a_file_is_the_same_with_a_bar_beside_it(tmp_path: Path) -> None:
    """Standard error is a pseudo-terminal, standard output a pipe: what programs read has no bar in it."""
    pty = pytest.importorskip("pty")
    log = tmp_path / "receiver.log"
    command = [sys.executable, "-m", "ullage_cli"]
    subprocess.run([*command, "simulate", SPEC, "--frames", "200", "-o", str(log)], check=True, capture_output=True)
    plain = subprocess.run([*command, "decode", SPEC, str(log), "--json"], check=True, capture_output=True).stdout
    primary, secondary = pty.openpty()
    made = subprocess.run(
        [*command, "decode", SPEC, str(log), "--json"], check=True, stdout=subprocess.PIPE, stderr=secondary
    )
    os.close(secondary)
    os.close(primary)
    assert made.stdout == plain
