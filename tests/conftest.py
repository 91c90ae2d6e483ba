"""What every test run shares: the closing line on tools that were not found."""

import shutil

import pytest

_TOOLS = (
    "gcc",
    "g++",
    "clang",
    "clang++",
    "size",
    "node",
    "chromium",
    "make",
    "git",
    "cmake",
    "arm-none-eabi-gcc",
    "avr-gcc",
)


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """Say in one line which tools were not found, so that their tests were skipped."""
    lost = [tool for tool in _TOOLS if shutil.which(tool) is None]
    terminalreporter.write_line(
        f"targets not found: {', '.join(lost)}; their tests were skipped" if lost else "targets not found: none"
    )
