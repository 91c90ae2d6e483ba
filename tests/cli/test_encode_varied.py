"""`ullage encode` takes lists and groups by what is in them, and names the place where something is wrong."""

import random
import shlex
import shutil
import subprocess
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings

import ullage
from support.command import runner
from support.protocols import specs
from support.tiny import generated, load
from support.varied import HISTORY, SUM, VALUES
from ullage.words.samples import sample
from ullage_cli.main import main
from ullage_cli.screen import Stop, command_line, quoted
from ullage_cli.typed_values import texts_of, values_of, words_of

TERRACE = ullage.loads(HISTORY + SUM)
PLAIN = ["source=17", "sequence=9", "lid=open", "last=6"]
READINGS = ["readings[0].level=1233", "readings[0].ok=yes", "readings[1].level=no_echo", "readings[1].ok=no"]
EXTRA = ["extra.t=21.5", "extra.cal=3.5V", "extra.runs[0].secs=5"]


@pytest.fixture(autouse=True)
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    (tmp_path / "terrace.toml").write_text(HISTORY + SUM, encoding="utf-8")
    shutil.copy(Path(__file__).parents[2] / "spec" / "orchard.toml", tmp_path)
    monkeypatch.chdir(tmp_path)
    return tmp_path


run = runner("encode", "terrace.toml", "history")


def test_what_is_in_lists_and_groups_is_given_by_its_place(capsys: pytest.CaptureFixture[str]) -> None:
    words = [*PLAIN, *READINGS, *EXTRA]
    expected = TERRACE.encode("history", VALUES).hex(" ") + "\n"
    assert run(capsys, *words) == (0, expected, "")
    random.Random(1).shuffle(words)
    assert run(capsys, *words) == (0, expected, "")


def test_what_is_not_given_is_empty_or_absent(capsys: pytest.CaptureFixture[str]) -> None:
    bare = TERRACE.encode("history", VALUES | {"readings": (), "extra": None})
    assert run(capsys, *PLAIN) == (0, bare.hex(" ") + "\n", "")


def test_counts_and_flags_may_be_given_when_they_agree(capsys: pytest.CaptureFixture[str]) -> None:
    full = run(capsys, *PLAIN, *READINGS, *EXTRA)
    assert run(capsys, *PLAIN, *READINGS, *EXTRA, "number=2", "has_extra=yes", "extra.n=1") == full
    code, _, err = run(capsys, *PLAIN, *READINGS, "number=3")
    assert (code, err) == (2, "number is 3, and what is given makes 2\n  help: leave number out: it follows\n")


@pytest.mark.parametrize(
    ("words", "complaint"),
    [
        (["readings[0].level=2501", "readings[0].ok=no"], "readings[0].level: 2501 does not fit\n  help: 0..2500 mm"),
        (["readings[0].level=3 m", "readings[0].ok=no"], "readings[0].level: '3 m' is in m, but the unit is mm\n"),
        (["readings[0].level=no_eco", "readings[0].ok=no"],
         "readings[0].level: 'no_eco' is no number\n  help: \"no_echo\", perhaps\n"),
        (["readings[0].level=5", "readings[0].ok=x"], "readings[0].ok: 'x' is neither yes nor no\n"),
        (["readings[0].level=5"], "history needs readings[0].ok\n"),
        (["readings[0].depth=5", *READINGS], "readings[0].depth is no field here\n"),
        (READINGS[2:], "readings[0] is missing, and readings[1] is there\n  help: items are numbered from 0\n"),
        (["readings=5"], "readings is a list\n  help: readings[0].level=..., for example\n"),
        (["readings.level=5"], "readings is a list\n"),
        (["readings[0]=5"], "readings[0] is an item of a list\n  help: readings[0].level=..., for example\n"),
        ([f"readings[{n}].{name}" for n in range(5) for name in ("level=1", "ok=no")],
         "readings: 5 items are more than 4\n  help: at most 4\n"),
        (["extra=yes"], "extra is a group\n  help: extra.t=..., for example\n"),
        (["extra[0].t=5"], "extra is a group\n"),
        (["extra.t=5", "extra.cal=1"], "extra.runs: 0 items are fewer than 1\n  help: at least 1\n"),
        (["extra.t=5", "extra.cal=1e39", "extra.runs[0].secs=1"], "extra.cal: 1e39 does not fit\n"),
        (["extra.t=5", "extra.cal=1 A", "extra.runs[0].secs=1"], "extra.cal: '1 A' is in A, but the unit is V\n"),
        (["extra.t=5", "extra.cal=1", "extra.runs[0].secs=128"], "extra.runs[0].secs: 128 does not fit\n"),
        (["has_extra=yes"], "has_extra says yes, and extra is not there\n"),
        (["lid.half=1"], "lid.half: lid has a value of its own\n"),
        (["spare.x=1"], "spare is no list or group\n  help: here are readings, extra\n"),
        (["readings[0].level=5", "readings[0].level=5"], "readings[0].level is given twice\n"),
        (["readings[-1].level=5"], "readings[-1].level is no field here\n"),
        ([".level=5"], ".level is no field here\n"),
    ],
)  # fmt: skip
def test_what_is_wrong_is_named_with_its_place(
    capsys: pytest.CaptureFixture[str], words: list[str], complaint: str
) -> None:
    code, out, err = run(capsys, *PLAIN, *words)
    assert (code, out) == (2, "")
    assert err.startswith(complaint)


def test_without_values_the_names_inside_are_listed_with_an_example(capsys: pytest.CaptureFixture[str]) -> None:
    code, _, err = run(capsys)
    assert code == 2
    assert err == (
        "history needs these values:\n"
        "  source              0..255\n"
        "  sequence            0..65535\n"
        "  lid                 shut 0, open 1\n"
        "  readings            0..4 items: readings[0], readings[1], ...\n"
        "  readings[0].level   0..2500 mm by 1 mm, or no_echo\n"
        "  readings[0].ok      true or false\n"
        "  extra               a group: all of it, or nothing\n"
        "  extra.t             -20..60 Cel by 0.5 Cel\n"
        "  extra.cal           at most 3.40282347e+38 either way\n"
        "  extra.runs          1..3 items: extra.runs[0], extra.runs[1], ...\n"
        "  extra.runs[0].secs  0..127\n"
        "  last                0..7\n"
        "for example:\n"
        '  ullage encode terrace.toml history source=17 sequence=9 lid=shut "readings[0].level=1250"'
        ' "readings[0].ok=no" "readings[1].level=1250" "readings[1].ok=no" extra.t=20 extra.cal=21.5'
        ' "extra.runs[0].secs=63" "extra.runs[1].secs=63" last=3\n'
    )


def test_the_example_works_as_it_stands_in_a_shell(capsys: pytest.CaptureFixture[str]) -> None:
    _, _, err = run(capsys)
    words = shlex.split(err.splitlines()[-1])
    _, out, _ = run(capsys, *words[4:])
    assert bytes.fromhex(out) == TERRACE.encode("history", sample(TERRACE.frames["history"]))


def test_a_choice_goes_by_its_number_too(capsys: pytest.CaptureFixture[str]) -> None:
    words = ["encode", "orchard.toml", "valve_order", "destination=17", "source=1", "sequence=2", "order=4"]
    printed = []
    for valve in ("half", "1", "3"):
        code = main([*words, f"valve={valve}", "expires=60"])
        said = capsys.readouterr()
        printed.append((code, said.out, said.err))
    assert printed[0] == printed[1]
    assert printed[2][0] == 2
    assert printed[2][2].startswith("valve: 3 does not fit\n  help: shut 0, half 1, open 2\n")


def test_items_and_groups_without_values_are_asked_for_by_their_count_and_flag() -> None:
    protocol = load(
        'name = "n", kind = "count", bits = 3',
        'name = "on", kind = "flag"',
        'name = "marks", kind = "list", counted_by = "n", at_most = 3, field = ['
        '{ name = "five", kind = "constant", bits = 3, value = 5 }]',
        'name = "tail", kind = "group", when = "on", field = ['
        '{ name = "six", kind = "constant", bits = 3, value = 6 }]',
    )
    layout = protocol.frames["a"]
    assert values_of(layout, {"n": "2", "on": "yes"})["marks"] == ({}, {})
    assert words_of(layout, {"marks": ({}, {}), "tail": {}}) == ["n=2", "on=yes"]
    assert words_of(layout, {"marks": (), "tail": None}) == []
    assert protocol.encode("a", values_of(layout, {})) == protocol.encode("a", {"marks": (), "tail": None})


@given(text=specs())
@settings(max_examples=80, deadline=None, suppress_health_check=[HealthCheck.too_slow, HealthCheck.filter_too_much])
def test_the_example_of_any_frame_gives_the_octets_of_its_sample(text: str) -> None:
    protocol = generated(text)
    for layout in protocol.frames.values():
        values: dict[str, Any] = sample(layout)
        words = shlex.split(command_line(*words_of(layout, values)))
        assert protocol.encode(layout.name, values_of(layout, texts_of(words))) == protocol.encode(layout.name, values)


@pytest.mark.parametrize(
    "word",
    ["a.toml", "my log:1", "", 'a"b', "c:\\a b\\", "$HOME", "`x`", "\\$\\", "a[0].b=1", "it's", "a*b?", "~", "#", "ä"],
)
def test_a_quoted_word_is_one_word_in_a_shell(word: str) -> None:
    """POSIX Shell Command Language 2.2.3: within double quotes only $, `, " and \\ keep a meaning of their own."""
    done = subprocess.run(["sh", "-c", f"printf %s {quoted(word)}"], capture_output=True, check=True)
    assert done.stdout.decode() == word
    assert '"' not in quoted("spec/orchard.toml")


def test_a_wrong_word_is_a_wrong_request() -> None:
    with pytest.raises(Stop):
        texts_of(["level"])
