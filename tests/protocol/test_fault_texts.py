"""Every fault as its author reads it: the files in `faults/` hold a spec, a line of signs, and the text it gives.

To write the texts again after a change, then read the difference:
  PYTHONPATH=tests .venv/bin/python tests/protocol/test_fault_texts.py
"""

import re
from pathlib import Path

import pytest

import ullage

FOLDER = Path(__file__).parent / "faults"
FILES = sorted(FOLDER.glob("*.txt"))
LINE = b"==== ullage check ====\n"


def spec_of(path: Path) -> bytes:
    return path.read_bytes().partition(LINE)[0]


def faults_of(path: Path) -> ullage.SpecError:
    with pytest.raises(ullage.SpecError) as caught:
        ullage.loads(spec_of(path), source="node.toml")
    return caught.value


def rendered(path: Path) -> bytes:
    return (str(faults_of(path)) + "\n").encode()


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_a_fault_reads_as_its_file_says(path: Path) -> None:
    assert rendered(path).decode() == path.read_bytes().partition(LINE)[2].decode()


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_a_fault_begins_with_its_place_and_what_follows_fits_in_a_hundred_columns(path: Path) -> None:
    error = faults_of(path)
    first = [line for line in error.lines() if line.startswith("node.toml:")]
    assert len(first) == len(error.faults)
    assert all(re.match(r"node\.toml:\d+:\d+: \S", line) for line in first)
    assert all(columns(line) <= 100 for line in error.lines() if line not in first)


def columns(line: str) -> int:
    """Columns on a terminal: these letters of Chinese and Japanese take two each."""
    return len(line) + len(re.findall("[\u3000-\u9fff]", line))


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_the_caret_stands_under_what_the_span_says(path: Path) -> None:
    """Cut out of the file by line, column and span, it is what the caret's columns show, cuts and tabs aside."""
    error = faults_of(path)
    lines = error.lines()
    for fault in error.faults:
        assert (fault.line, fault.column) >= (1, 1)
        if not fault.span:
            continue
        meant = (error.text or "").split("\n")[(fault.line or 1) - 1][(fault.column or 1) - 1 :][: fault.span]
        at = next(i for i, line in enumerate(lines) if line.startswith(f"node.toml:{fault.line}:{fault.column}: "))
        shown, carets = lines[at + 1], lines[at + 2]
        lines = lines[at + 1 :]
        assert set(carets[8:].strip()) == {"^"}
        wide = "".join(letter + "\0" * (columns(letter) - 1) for letter in shown)
        pointed = wide[carets.index("^") :][: carets.count("^")].replace("\0", "")
        if meant.isprintable() and len(meant) < 80 and not pointed.endswith("…"):
            assert pointed == meant


def test_there_are_many_distinct_faults_and_every_code_of_the_reader_is_among_them() -> None:
    """At least 60 sentences differ in more than names and numbers; codes are found where faults are made."""
    faults = [fault for path in FILES for fault in faults_of(path).faults]
    sentences = {re.sub(r'"[^"]*"|[0-9]+', "_", fault.text) for fault in faults}
    assert len(sentences) >= 100
    home = Path(ullage.__file__).parent / "spec"
    modules = ("build", "fields", "integrity_rules", "rows", "reading", "shape_faults", "syntax")
    source = "".join((home / f"{name}.py").read_text(encoding="utf-8") for name in modules)
    made = set(re.findall(r'(?:complain\(|Fault\(|return \(|return)\s*\(?\s*"([a-z0-9_]+)",', source))
    assert len(made) > 25
    assert made <= {fault.code for fault in faults}


def main() -> None:
    for path in FILES:
        path.write_bytes(spec_of(path) + LINE + rendered(path))


if __name__ == "__main__":
    main()
