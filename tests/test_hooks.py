"""The hooks that a project can run before a commit: their entries, run as commands in a repository of its own."""

import re
import shlex
import subprocess
from dataclasses import dataclass
from pathlib import Path

import pytest

from support.ends import need
from ullage_cli.main import main

ROOT = Path(__file__).parents[1]
FILE = ROOT / ".pre-commit-hooks.yaml"
KEYS = {"id", "name", "description", "entry", "language", "files", "exclude", "pass_filenames"}
SPEC = "spec/orchard.toml"


def hooks() -> dict[str, dict[str, str]]:
    """Each hook by its id. The file is a list of tables of plain one-line texts, and anything else is an error."""
    found: list[dict[str, str]] = []
    for line in FILE.read_text(encoding="utf-8").splitlines():
        if line.startswith("#"):
            continue
        entry = re.fullmatch(r"(- |  )([a-z_]+): ([^\s\'\"\[\]{}#&*!|>%@:-][^:#]*)", line)
        assert entry, line
        if entry[1] == "- ":
            found.append({})
        assert entry[2] in KEYS
        assert entry[2] not in found[-1]
        found[-1][entry[2]] = entry[3]
    return {hook["id"]: hook for hook in found}


@dataclass(frozen=True)
class Ran:
    """What a hook's command answered."""

    code: int
    out: str
    err: str


class Repository:
    """Somebody's repository, in which hooks are run."""

    def __init__(self, folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
        self.folder = folder
        self.capsys = capsys

    def run(self, hook: str, *arguments: str) -> Ran:
        """Run a hook's entry with its arguments, then the tracked files that it asks for."""
        about = hooks()[hook]
        command, *words = shlex.split(about["entry"])
        assert command == "ullage"
        listed = subprocess.run(["git", "ls-files"], cwd=self.folder, capture_output=True, text=True, check=True).stdout
        files = [name for name in listed.splitlines() if re.search(about["files"], name)]
        if "exclude" in about:
            files = [name for name in files if not re.search(about["exclude"], name)]
        assert files
        given = [] if about.get("pass_filenames") == "false" else files
        self.capsys.readouterr()
        code = main([*words, *arguments, *given])
        return Ran(code, *self.capsys.readouterr())

    def change(self, old: str, new: str) -> None:
        """Change the spec."""
        path = self.folder / SPEC
        text = path.read_text(encoding="utf-8")
        assert text.count(old) == 1
        path.write_text(text.replace(old, new), encoding="utf-8")


@pytest.fixture
def repository(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Repository:
    """Somebody's repository with a spec, its header, and a TOML file of another kind."""
    need("git")
    subprocess.run(["git", "init", "--quiet", "."], cwd=tmp_path, check=True)
    for name in ("spec", "node"):
        (tmp_path / name).mkdir()
    (tmp_path / SPEC).write_bytes((ROOT / SPEC).read_bytes())
    (tmp_path / "pyproject.toml").write_text("[project]\n")
    assert main(["emit", "c", str(tmp_path / SPEC), "-o", str(tmp_path / "node")]) == 0
    subprocess.run(["git", "add", "--all"], cwd=tmp_path, check=True)
    monkeypatch.chdir(tmp_path)
    return Repository(tmp_path, capsys)


def test_there_are_two_hooks_in_python_that_call_the_command() -> None:
    found = hooks()
    assert sorted(found) == ["ullage-check", "ullage-verify"]
    for hook in found.values():
        assert hook["language"] == "python"
        assert re.search(hook["files"], SPEC)
        assert not re.search(hook["files"], "spec/FORMAT.md")
    assert re.search(found["ullage-verify"]["files"], "node/orchard.h")


def test_a_good_spec_with_its_header_passes_both_hooks(repository: Repository) -> None:
    assert repository.run("ullage-check").code == 0
    assert repository.run("ullage-verify", SPEC, "-o", "node/").code == 0


def test_a_faulty_spec_fails_with_the_place_of_its_fault(repository: Repository) -> None:
    repository.change("step = 0.01,", "step = 0.013,")
    ran = repository.run("ullage-check")
    assert ran.code == 1
    assert re.search(r"^spec/orchard\.toml:27:\d+: 2 V is no whole number of steps", ran.out, re.MULTILINE)
    assert repository.run("ullage-verify", SPEC, "-o", "node/").code == 2


def test_a_stale_header_fails_with_the_field_and_stays_as_it_is(repository: Repository) -> None:
    repository.change("range = [250, 6000]", "range = [250, 5000]")
    before = (repository.folder / "node" / "orchard.h").read_bytes()
    assert repository.run("ullage-check").code == 0
    ran = repository.run("ullage-verify", SPEC, "-o", "node/")
    assert ran.code == 1
    assert "+ bit 43 13 measure distance 250..5000 mm" in ran.out
    assert (repository.folder / "node" / "orchard.h").read_bytes() == before


def test_verifying_nothing_is_a_wrong_request(repository: Repository) -> None:
    ran = repository.run("ullage-verify")
    assert ran.code == 2
    assert "Missing argument" in ran.err
