"""The house keeps its shape: imports point down, files stay small, heavy imports are lazy."""

import ast
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
MAY_IMPORT = {
    "protocol": {"ullage"},
    "codegen": {"ullage", "ullage_codegen"},
    "cli": {"ullage", "ullage_codegen", "ullage_cli"},
}
MODULES = [(root, path) for root in MAY_IMPORT for path in sorted((ROOT / root).rglob("*.py"))]


def imported(path: Path) -> set[str]:
    """The first part of every absolute import."""
    names: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names |= {alias.name.split(".")[0] for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and not node.level and node.module:
            names.add(node.module.split(".")[0])
    return names


@pytest.mark.parametrize(("root", "path"), MODULES, ids=lambda value: str(getattr(value, "name", value)))
def test_imports_point_down(root: str, path: Path) -> None:
    assert {name for name in imported(path) if name.startswith("ullage")} <= MAY_IMPORT[root]


@pytest.mark.parametrize("path", [path for root, path in MODULES if root == "protocol"], ids=lambda path: path.name)
def test_the_core_opens_nothing_and_prints_nothing(path: Path) -> None:
    """But for `load`, which reads a spec, and `schema`, which is a program of its own."""
    calls = {
        node.func.id
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name)
    }
    assert not calls & {"open", "input"}
    assert path.name == "schema.py" or "print" not in calls


@pytest.mark.parametrize("path", [path for _, path in MODULES], ids=lambda path: path.name)
def test_files_stay_under_four_hundred_lines(path: Path) -> None:
    assert len(path.read_text(encoding="utf-8").splitlines()) <= 400


def test_help_imports_nothing_heavy() -> None:
    heavy = "pydantic, rich, jinja2, construct, crcmod, numpy, cryptography"
    code = (
        "import sys\nfrom ullage_cli.main import main\n"
        f"main(['--help'])\nfound = [name for name in '{heavy}'.split(', ') if name in sys.modules]\n"
        "assert not found, found\n"
    )
    made = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert made.returncode == 0, made.stderr


def test_no_document_or_source_carries_a_path_of_some_machine() -> None:
    listed = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=False).stdout.split()
    words = ["/" + word + "/" for word in ("root", "tmp", "home", "work")]
    for name in listed:
        text = (ROOT / name).read_text(encoding="utf-8", errors="replace")
        assert not [word for word in words if word in text and name != "tests/test_house.py"], name
