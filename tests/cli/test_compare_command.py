"""`ullage compare` and `check --deployed` as an author and CI type them."""

from __future__ import annotations

import io
import json
import shutil
from pathlib import Path

import pytest

from support.command import runner

ROOT = Path(__file__).parents[2]
ORCHARD = ROOT / "spec" / "orchard.toml"
EXAMPLE = ROOT / "examples" / "revisions"
compare = runner("compare")
check = runner("check")


@pytest.fixture
def orchard(tmp_path: Path) -> Path:
    return Path(shutil.copy(ORCHARD, tmp_path / "orchard.toml"))


def rewritten(path: Path, *changes: tuple[str, str]) -> str:
    text = path.read_text(encoding="utf-8")
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    path.write_text(text, encoding="utf-8")
    return str(path)


SWAPPED = ("half = 1, open = 2 }, role", "half = 2, open = 1 }, role")


def test_a_revision_that_is_planned_well_is_fine(capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = compare(capsys, str(EXAMPLE / "deployed"), str(EXAMPLE / "orchard.toml"))
    assert code == 0
    assert "level_report  10 → 11 octets, 144 → 144 ms on air" in out
    assert "  distance  250..6000 mm by 1 mm → 250..8000 mm by 1 mm, still 13 bits\n" in out
    assert "  old sender, new receiver  refuses: other_revision; built for both it understands\n" in out
    assert "fine: nothing is misread. Flash the receiver first, built for both revisions" in out
    assert "valve_order goes the other way" in out


def test_a_silent_misreading_is_a_finding_with_both_readings_and_a_command(
    orchard: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code, out, _ = compare(capsys, str(ORCHARD), rewritten(orchard, SWAPPED))
    assert code == 1
    assert "old sender, new receiver  misreads silently" in out
    assert "valve: open was sent, and half is read" in out
    assert f"      ullage explain {orchard} " in out
    assert "valve_order can be misread without anybody noticing." in out


def test_one_revision_number_names_one_layout(orchard: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = compare(capsys, str(ORCHARD), rewritten(orchard, ("6000", "8000")))
    assert code == 1
    assert "revision 1 names two layouts: fingerprints 0bbb68c62f50fdba and " in out
    assert "help: revision = 2 in the new spec" in out


def test_comments_change_nothing(orchard: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = compare(capsys, str(ORCHARD), rewritten(orchard, ("One reading", "A reading")))
    assert code == 0
    assert out.endswith("fine: the same on the wire, fingerprint 0bbb68c62f50fdba.\n")


def test_the_old_spec_may_come_from_standard_input(
    orchard: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("sys.stdin", io.TextIOWrapper(io.BytesIO(ORCHARD.read_bytes())))
    code, out, _ = compare(capsys, "-", rewritten(orchard, SWAPPED))
    assert code == 1
    assert "standard input → " in out.partition("\n\n")[0]
    assert "explain -" not in out


def test_a_faulty_spec_from_standard_input_is_told_with_its_place(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("sys.stdin", io.TextIOWrapper(io.BytesIO(b"[protocol]\nnam = 'x'\n")))
    code, _, err = compare(capsys, "-", str(ORCHARD))
    assert code == 2
    assert "standard input:2:1: [protocol] has no key" in err


def test_programs_get_json_for_each_deployed_spec(orchard: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = orchard.parent / "deployed"
    folder.mkdir()
    shutil.copy(ORCHARD, folder / "orchard-1.toml")
    shutil.copy(EXAMPLE / "orchard.toml", folder / "orchard-2.toml")
    third = rewritten(orchard, ("revision = 1\n", "revision = 3\n"), SWAPPED)
    code, out, _ = compare(capsys, str(folder), third, "--json")
    assert code == 0
    data = json.loads(out)
    assert [one["old"]["revision"] for one in data] == [1, 2]
    assert [one["old"]["file"] for one in data] == [str(folder / f"orchard-{number}.toml") for number in (1, 2)]
    assert data[0]["change_first"] == "receiver"
    assert data[0]["built_for_both"] is True


def test_a_review_page_is_markdown_that_free_text_cannot_break(
    orchard: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = rewritten(orchard, SWAPPED, ('unit = "V",  range = [2.00', 'unit = "V|*",  range = [2.00'))
    code, out, _ = compare(capsys, str(ORCHARD), path, "--markdown")
    assert code == 1
    lines = out.splitlines()
    assert lines[0] == "## orchard: revision 1 → 1"
    rows = [line for line in lines if line.startswith("| ")]
    assert {line.replace("\\|", "").count("|") for line in rows} == {6, 3}
    assert "V\\|\\*" in out
    assert "| valve_order: old → new: valve: open was sent, and half is read | `" in out


def test_a_name_that_means_the_same_is_said_by_the_author(orchard: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = rewritten(orchard, ("revision = 1\n", "revision = 1\n"), ('"battery",  kind', '"cell",  kind'))
    assert "battery" in compare(capsys, str(ORCHARD), path)[1]
    out = compare(capsys, str(ORCHARD), path, "--renamed", "battery=cell")[1]
    assert "misread without" not in out
    code, _, err = compare(capsys, str(ORCHARD), path, "--renamed", "battery")
    assert (code, err) == (2, "--renamed battery: give the two names as OLD=NEW\n")


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["nowhere.toml", str(ORCHARD)], "nowhere.toml: there is no such file or folder"),
        ([str(ORCHARD), str(ROOT / "spec")], "this is a folder; only the first of the two may be one"),
        ([str(ROOT / "spec" / "formats"), str(ORCHARD)], "there is no spec of orchard in this folder, only of "),
        ([str(ORCHARD), str(ORCHARD), "--json", "--markdown"], "--json and --markdown: give one of them"),
    ],
)
def test_wrong_requests_are_one_sentence(words: list[str], said: str, capsys: pytest.CaptureFixture[str]) -> None:
    code, out, err = compare(capsys, *words)
    assert (code, out) == (2, "")
    assert said in err
    assert len(err.splitlines()) == 1


def test_check_holds_a_spec_against_the_deployed_ones(orchard: Path, capsys: pytest.CaptureFixture[str]) -> None:
    deployed = str(EXAMPLE / "deployed")
    code, out, _ = check(capsys, str(EXAMPLE / "orchard.toml"), "--deployed", deployed)
    assert code == 0
    assert out.endswith("orchard-1.toml, revision 1: nothing is misread\n")
    code, out, _ = check(capsys, rewritten(orchard, SWAPPED), "--deployed", deployed)
    assert code == 1
    assert "orchard-1.toml, revision 1: another layout under the same number; valve_order can be misread" in out
    code, out, _ = check(capsys, str(orchard), "--deployed", deployed, "--json")
    assert code == 1
    assert json.loads(out)[0]["deployed"][0]["finding"] is True
    code, _, err = check(capsys, str(orchard), str(ORCHARD), "--deployed", deployed)
    assert (code, err) == (2, "--deployed: give one spec with it\n")


def test_no_line_is_wider_than_a_screen(orchard: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for old, new in ((EXAMPLE / "deployed", EXAMPLE / "orchard.toml"), (ORCHARD, Path(rewritten(orchard, SWAPPED)))):
        out = compare(capsys, str(old), str(new))[1]
        assert [line for line in out.splitlines() if len(line) > 100 and "orchard.toml" not in line] == []


def test_a_rename_of_what_is_not_there_is_a_wrong_request(capsys: pytest.CaptureFixture[str]) -> None:
    code, _, err = compare(capsys, str(ORCHARD), str(ORCHARD), "--renamed", "nonsense=battery")
    assert (code, err) == (2, "--renamed nonsense=battery: the old spec has no frame or field nonsense\n")
    code, _, err = compare(capsys, str(ORCHARD), str(ORCHARD), "--renamed", "battery=nonsense")
    assert (code, err) == (2, "--renamed battery=nonsense: the new spec has no frame or field nonsense\n")


def test_specs_the_wrong_way_round_are_pointed_out(capsys: pytest.CaptureFixture[str]) -> None:
    _, out, _ = compare(capsys, str(EXAMPLE / "orchard.toml"), str(ORCHARD))
    assert "The second spec has the lower revision (1, not 2): is it the other way round?" in out


def test_a_frame_that_becomes_sealed_is_pointed_out(orchard: Path, capsys: pytest.CaptureFixture[str]) -> None:
    sealed = ROOT / "spec" / "orchard_sealed.toml"
    path = orchard.with_name("sealed.toml")
    path.write_text(sealed.read_text(encoding="utf-8"), encoding="utf-8")
    new = rewritten(path, ('name = "orchard_sealed"', 'name = "orchard"'), ("revision = 1\n", "revision = 2\n"))
    code, out, _ = compare(capsys, str(ORCHARD), new)
    assert code == 0
    said = " ".join(out.split())
    assert "level_report, valve_order and acknowledgement become sealed: a receiver of both still takes" in said
    assert "In C a header that reads both revisions opens no sealed frames" in said
