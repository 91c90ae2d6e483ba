"""A spec inside somebody's build: CMake and make write the header again when they must, and only then."""

import os
import re
import shlex
import shutil
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

import pytest

from support.ends import need
from ullage_cli.main import main

ROOT = Path(__file__).parents[1]
WIDER, NARROWER = "range = [250, 6000]", "range = [250, 5000]"
FAULT = "step = 0.013"
HEADING = re.compile(r"(orchard\.toml:27:\d+): 2 V is no whole number of steps of 0\.013 V")


@dataclass(frozen=True)
class Project:
    """A copy of an example with the spec beside it as in the repository, and a command `ullage` of its own."""

    folder: Path
    spec: Path
    tool: Path

    def run(self, *words: str) -> subprocess.CompletedProcess[str]:
        """Run a command in the example's folder; what it says on both streams is in stdout."""
        # A make around the tests must not hand its own flags to ours.
        clean = {key: value for key, value in os.environ.items() if key not in ("MAKEFLAGS", "MFLAGS", "MAKELEVEL")}
        out, err = subprocess.PIPE, subprocess.STDOUT
        return subprocess.run(words, cwd=self.folder, stdout=out, stderr=err, text=True, env=clean, check=False)

    def change(self, old: str, new: str) -> None:
        """Change the spec as an editor does."""
        text = self.spec.read_text(encoding="utf-8")
        assert text.count(old) == 1
        self.spec.write_text(text.replace(old, new), encoding="utf-8")

    def age(self) -> None:
        """Make everything an hour older, so that what is built next is newer without waiting for the clock."""
        for path in [self.tool, *self.spec.parent.rglob("*"), *self.folder.rglob("*")]:
            if path.is_file():
                then = path.stat().st_mtime - 3600
                os.utime(path, (then, then))


def project(name: str, tmp_path: Path) -> Project:
    folder, spec = tmp_path / "examples" / name, tmp_path / "spec" / "orchard.toml"
    shutil.copytree(ROOT / "examples" / name, folder)
    spec.parent.mkdir()
    shutil.copy(ROOT / "spec" / "orchard.toml", spec)
    tool = tmp_path / "bin" / "ullage"
    tool.parent.mkdir()
    tool.write_text(f'#!/bin/sh\nexec {shlex.quote(sys.executable)} -m ullage_cli "$@"\n')
    tool.chmod(0o755)
    assert main(["emit", "rules", "-o", str(folder)]) == 0
    return Project(folder, spec, tool)


@dataclass(frozen=True)
class Way:
    """One way to build: the commands, and where things are found afterwards."""

    tools: tuple[str, ...]
    example: str
    configure: tuple[str, ...]
    build: tuple[str, ...]
    header: str
    arguments: tuple[str, ...]


CMAKE = ("cmake", "-S", ".", "-B", "build", "-DULLAGE_EXECUTABLE=TOOL")
WAYS = {
    "cmake with make": Way(
        ("cmake", "make", "gcc"),
        "with_cmake",
        (*CMAKE, "-G", "Unix Makefiles"),
        ("cmake", "--build", "build"),
        "build/ullage_headers/node/orchard.h",
        (),
    ),
    "make": Way(
        ("make", "gcc"), "with_make", (), ("make", "CC=gcc", "ULLAGE=TOOL"), "build/orchard.h", ("1234", "3710")
    ),
}


def filled(words: tuple[str, ...], made: Project) -> list[str]:
    return [word.replace("TOOL", str(made.tool)) for word in words]


@dataclass(frozen=True)
class Step:
    """What a build said, and when header and program were written; the header's text, what else is beside it."""

    code: int
    said: str
    written: tuple[int, int]
    header: str
    beside: tuple[str, ...]


@dataclass(frozen=True)
class Story:
    """One example built again and again: first, with nothing new, then each time with one change to the spec."""

    program: str
    first: Step
    again: Step
    changed: Step
    faulty: Step
    renamed: Step


def build(way: Way, made: Project) -> Step:
    ran = made.run(*filled(way.build, made))
    header, program = made.folder / way.header, made.folder / "build" / "node"
    beside = tuple(sorted(path.name for path in header.parent.iterdir() if path.name.startswith("orchard")))
    written = header.stat().st_mtime_ns, program.stat().st_mtime_ns
    return Step(ran.returncode, ran.stdout, written, header.read_text(encoding="utf-8"), beside)


@pytest.fixture(scope="module", params=WAYS)
def story(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Story:
    """All of it once for each way, because every step starts compilers."""
    way = WAYS[request.param]
    for tool in way.tools:
        need(tool)
    made = project(way.example, tmp_path_factory.mktemp("project"))
    if way.configure:
        ran = made.run(*filled(way.configure, made))
        assert ran.returncode == 0, ran.stdout
    assert build(way, made).code == 0
    program = made.run("build/node", *way.arguments).stdout
    made.age()
    first, again = build(way, made), build(way, made)
    made.change(WIDER, NARROWER)
    changed = build(way, made)
    made.age()
    made.change("step = 0.01,", f"{FAULT},")
    faulty = build(way, made)
    made.change(f"{FAULT},", "step = 0.01,")
    made.change('name = "orchard"', 'name = "grove"')
    return Story(program, first, again, changed, faulty, build(way, made))


def test_the_program_of_an_example_sends_what_decode_reads(
    story: Story, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    log = tmp_path / "receiver.log"
    log.write_text(story.program)
    assert main(["decode", str(ROOT / "spec" / "orchard.toml"), str(log), "--strict"]) == 0
    assert re.search(r"level_report +sensor 0 +distance 1234 mm +battery 3.71 V", capsys.readouterr().out)


def test_nothing_changed_builds_nothing(story: Story) -> None:
    assert story.first.code == story.again.code == 0
    assert story.first.written == story.again.written


def test_a_changed_spec_makes_header_and_program_anew(story: Story) -> None:
    assert story.changed.code == 0, story.changed.said
    assert all(new > old for new, old in zip(story.changed.written, story.first.written, strict=True))
    assert "250..5000 mm" in story.changed.header
    assert "250..5000 mm" not in story.first.header


def test_a_faulty_spec_stops_the_build_with_its_place_and_leaves_the_header(story: Story) -> None:
    assert story.faulty.code != 0
    assert HEADING.search(story.faulty.said)
    assert story.faulty.header == story.changed.header
    assert story.faulty.beside == ("orchard.h",)


def test_a_header_of_another_name_is_refused_with_its_name(story: Story) -> None:
    assert story.renamed.code != 0
    assert "its header is grove.h, not orchard.h" in " ".join(story.renamed.said.split())
    assert (story.renamed.header, story.renamed.beside) == (story.changed.header, ("orchard.h",))


def configured(
    made: Project, *lines: str, tool: str | None = None, language: str = "C"
) -> subprocess.CompletedProcess[str]:
    """Configure a CMake project of these lines after the first of an example."""
    for each in ("cmake", "make", "gcc"):
        need(each)
    head = f"cmake_minimum_required(VERSION 3.13)\nproject(node {language})\nenable_testing()\ninclude(ullage.cmake)\n"
    (made.folder / "CMakeLists.txt").write_text(head + "\n".join(lines) + "\n")
    define = f"-DULLAGE_EXECUTABLE={tool or made.tool}"
    return made.run("cmake", "-S", ".", "-B", "build", "-G", "Unix Makefiles", define)


SPEC = "../../spec/orchard.toml"
REQUESTS = {
    "no such spec": (
        ["add_executable(node node.c)", "ullage_header(node none.toml)"],
        "none.toml: there is no such file",
    ),
    "no such target": ([f"ullage_header(node {SPEC})"], 'there is no target "node"'),
    "a target that is not compiled": (
        ["add_library(node INTERFACE)", f"ullage_header(node {SPEC})"],
        '"node" is not compiled itself',
    ),
    "a word that is not understood": (
        ["add_executable(node node.c)", f"ullage_header(node {SPEC} TABLE)"],
        '"TABLE" is not understood',
    ),
    "a key without its value": (
        ["add_executable(node node.c)", f"ullage_header(node {SPEC} HEADER)"],
        '"HEADER" is not understood',
    ),
}


@pytest.mark.parametrize("case", REQUESTS)
def test_cmake_says_what_is_wrong_with_a_request(case: str, tmp_path: Path) -> None:
    lines, text = REQUESTS[case]
    ran = configured(project("with_cmake", tmp_path), *lines, language="NONE")
    assert ran.returncode != 0
    assert text in " ".join(ran.stdout.split())


def test_a_missing_tool_is_one_clear_sentence(tmp_path: Path) -> None:
    made = project("with_cmake", tmp_path)
    lines = ["add_executable(node node.c)", f"ullage_header(node {SPEC})"]
    ran = configured(made, *lines, tool=str(tmp_path / "nowhere"), language="NONE")
    assert ran.returncode != 0
    assert "The command ullage was not found" in ran.stdout
    assert "-DULLAGE_EXECUTABLE=FILE" in ran.stdout


def test_make_without_the_tool_is_one_clear_sentence(tmp_path: Path) -> None:
    need("make")
    ran = project("with_make", tmp_path).run("make", "ULLAGE=no_such_tool")
    assert ran.returncode != 0
    assert "no_such_tool: not found; install it, or say where it is with make ULLAGE=FILE" in ran.stdout


def test_two_targets_and_a_library_share_a_spec_in_a_parallel_build(tmp_path: Path) -> None:
    """Each target has a header of its own, so that they never write the same file at once; a program finds the
    header of the library that it links."""
    made = project("with_cmake", tmp_path)
    shutil.copy(made.spec, made.spec.with_name("other.toml"))
    ran = configured(
        made,
        "add_executable(node node.c)",
        f"ullage_header(node {SPEC})",
        'file(WRITE ${CMAKE_BINARY_DIR}/part.c "#include <orchard.h>\\nint part(void) { return ORCHARD_FINE; }\\n")',
        "add_library(part STATIC ${CMAKE_BINARY_DIR}/part.c)",
        "ullage_header(part ../../spec/other.toml HEADER orchard.h)",
        "add_executable(again node.c)",
        "target_link_libraries(again PRIVATE part)",
    )
    assert ran.returncode == 0, ran.stdout
    ran = made.run("cmake", "--build", "build", "--parallel", "4")
    assert ran.returncode == 0, ran.stdout
    assert made.run("build/again").stdout == made.run("build/node").stdout != ""


def test_a_self_test_becomes_a_program_and_a_test(tmp_path: Path) -> None:
    made = project("with_cmake", tmp_path)
    made.spec.write_text(
        '[protocol]\nname = "gate"\n[[frame]]\nname = "report"\nfield = [{ name = "open", kind = "flag" }]\n'
    )
    (made.folder / "node.c").write_text('#include "gate.h"\nint main(void) { return GATE_FINE; }\n')
    lines = ["add_executable(node node.c)", f"ullage_header(node {SPEC} HEADER gate.h SELF_TEST)"]
    ran = configured(made, *lines)
    assert ran.returncode == 0, ran.stdout
    ran = made.run("cmake", "--build", "build", "--parallel", "2")
    assert ran.returncode == 0, ran.stdout
    ran = made.run("ctest", "--test-dir", "build", "--no-tests=error")
    assert ran.returncode == 0, ran.stdout
    assert "node_self_test" in ran.stdout


def test_make_finds_the_rule_for_a_spec_beside_its_header(tmp_path: Path) -> None:
    need("make")
    made = project("with_make", tmp_path)
    shutil.copy(made.spec, made.folder / "orchard.toml")
    assert made.run(*filled(("make", "ULLAGE=TOOL", "orchard.h"), made)).returncode == 0
    assert "orchard_level_report" in (made.folder / "orchard.h").read_text()


def test_the_rules_are_written_for_the_project_to_keep(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["emit", "rules", "-o", str(tmp_path)]) == 0
    assert sorted(path.name for path in tmp_path.iterdir()) == ["ullage.cmake", "ullage.mk"]
    assert capsys.readouterr().out.startswith(f"{tmp_path / 'ullage.cmake'} · ")
    assert all("@" + "VERSION@" not in path.read_text() for path in tmp_path.iterdir())
    assert main(["emit", "rules", "-o", str(tmp_path / "no")]) == 2
    assert capsys.readouterr().err == f"{tmp_path / 'no'}: there is no such folder\n"
