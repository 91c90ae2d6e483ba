"""The documents tell the truth: their examples are run, and their output is what is printed."""

import contextlib
import io
import re
import shlex
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

import pytest

from support.ends import need

ROOT = Path(__file__).parents[1]
DOCUMENTS = ["README.md", "spec/FORMAT.md"]
ELSEWHERE = ("pip ", "make ", "git ")
"""Commands that set up rather than show; they are run by people and by CI."""


def blocks(document: str, language: str) -> list[str]:
    """The fenced blocks of one language, in order."""
    text = (ROOT / document).read_text(encoding="utf-8")
    return re.findall(rf"^```{language}\n(.*?)^```$", text, re.MULTILINE | re.DOTALL)


def commands(block: str) -> list[tuple[str, str]]:
    """The commands of a console block with the output shown below each."""
    parts = re.split(r"^\$ (.*)\n", block, flags=re.MULTILINE)[1:]
    return list(zip(parts[::2], parts[1::2], strict=True))


def run(command: str, folder: Path) -> str:
    """Run one shell line with our own `ullage`."""
    ours = f'"{sys.executable}" -m ullage_cli'
    line = re.sub(r"^ullage\b", lambda _: ours, command)
    made = subprocess.run(["sh", "-c", line], cwd=folder, capture_output=True, text=True, check=False)
    return made.stdout + made.stderr


def furnish(folder: Path) -> None:
    """Put what the documents speak of into an empty folder."""
    shutil.copytree(ROOT / "spec", folder / "spec")
    shutil.copytree(ROOT / "examples" / "revisions", folder / "examples" / "revisions")


def rewrite(document: str, folder: Path) -> None:
    """Put what the commands print now into a document: `make documents`, then read the difference."""
    text = (ROOT / document).read_text(encoding="utf-8")
    for block in blocks(document, "console"):
        new = "".join(
            f"$ {command}\n{output if command.startswith(ELSEWHERE) else run(command, folder)}"
            for command, output in commands(block)
        )
        text = text.replace(block, new)
    (ROOT / document).write_text(text, encoding="utf-8")


@pytest.mark.parametrize("document", DOCUMENTS)
def test_every_command_prints_what_the_document_shows(document: str, tmp_path: Path) -> None:
    furnish(tmp_path)
    shown = [pair for block in blocks(document, "console") for pair in commands(block)]
    assert shown
    for command, output in shown:
        if not command.startswith(ELSEWHERE):
            assert run(command, tmp_path) == output, command


def test_the_readmes_python_prints_what_is_shown(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(ROOT)
    (source,), (output,) = blocks("README.md", "python"), blocks("README.md", "text")
    printed = io.StringIO()
    with contextlib.redirect_stdout(printed):
        exec(compile(source, "README.md", "exec"), {})
    assert printed.getvalue() == output


def test_the_readmes_c_compiles(tmp_path: Path) -> None:
    need("gcc")
    (source,) = blocks("README.md", "c")
    assert run("ullage emit c spec/orchard.toml -o " + shlex.quote(str(tmp_path)), ROOT)
    around = (
        '#include "orchard.h"\nvoid radio_send(const uint8_t *, size_t);\n'
        "void f(int echo_seen, int16_t millimetres, int32_t millivolts);\nuint16_t next;\n"
        f"void f(int echo_seen, int16_t millimetres, int32_t millivolts) {{\n{source}}}\n"
    )
    command = [
        "gcc",
        "-std=c99",
        "-Wall",
        "-Wextra",
        "-Werror",
        f"-I{tmp_path}",
        "-xc",
        "-c",
        "-o",
        str(tmp_path / "o"),
        "-",
    ]
    made = subprocess.run(command, input=around, capture_output=True, text=True, check=False)
    assert made.returncode == 0, made.stderr


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as name:
        furnish(Path(name))
        for each in DOCUMENTS:
            rewrite(each, Path(name))
