"""Run one of our commands in this process, as its user types it."""

from collections.abc import Callable

import pytest

from ullage_cli.main import main

Run = Callable[..., tuple[int, str, str]]


def runner(*command: str) -> Run:
    """A function that runs a command with more words and gives exit code, standard output and standard error."""

    def run(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, str, str]:
        code = main([*command, *words])
        said = capsys.readouterr()
        return code, said.out, said.err

    return run
