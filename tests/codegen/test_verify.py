"""--verify gives one of four answers, and the tool's version alone is never a finding."""

from pathlib import Path

import pytest

import ullage
from ullage_codegen.c import header as cheader
from ullage_codegen.c.header import emit_c
from ullage_codegen.verify import verify

SPEC = (Path(__file__).parents[2] / "spec" / "orchard.toml").read_text(encoding="utf-8")


def header(text: str = SPEC) -> str:
    return emit_c(ullage.loads(text), "orchard.toml")


def test_the_same_text_is_no_finding() -> None:
    assert not verify(header(), header()).finding


def test_another_tool_version_alone_is_no_finding_but_a_note(monkeypatch: pytest.MonkeyPatch) -> None:
    new = header()
    monkeypatch.setattr(cheader, "__version__", "0.0.1")
    verdict = verify(header(), new)
    assert not verdict.finding
    assert verdict.lines == (f"the same but for the tool's version: 0.0.1, now {ullage.__version__}",)


def test_other_code_under_the_same_fingerprint_is_a_finding() -> None:
    verdict = verify(header().replace("octets[0] = 0x21u;", "octets[0] = 0x31u;"), header())
    assert verdict.finding
    assert "emit again" in verdict.lines[0]


def test_a_changed_comment_in_the_spec_is_a_finding_under_the_same_fingerprint() -> None:
    verdict = verify(header(SPEC.replace("One reading of one sensor", "A reading")), header())
    assert verdict.finding
    assert "is the same, the code differs" in verdict.lines[0]


def test_another_fingerprint_is_a_finding_with_the_fields() -> None:
    changed = SPEC.replace("step = 0.01, clamp", "step = 0.02, clamp").replace(
        "half = 1, open = 2 }, role", "ajar = 1, open = 2 }, role"
    )
    assert changed != SPEC
    verdict = verify(header(), header(changed))
    assert verdict.finding
    text = "\n".join(verdict.lines)
    assert "is of another spec" in verdict.lines[0]
    assert "level_report: - bit 56 8 measure battery 2..4.5 V by 0.01 V, zero 2" in text
    assert "level_report: + bit 56 7 measure battery 2..4.5 V by 0.02 V, zero 2" in text
    assert "valve_order: + bit 48 2 code valve shut 0, ajar 1, open 2" in text
    assert "acknowledgement" not in text


def test_a_new_and_a_lost_frame_are_named() -> None:
    changed = SPEC.replace('name = "acknowledgement"', 'name = "answer"')
    text = "\n".join(verify(header(), header(changed)).lines)
    assert "acknowledgement: no longer there" in text
    assert "answer: new" in text


def test_a_file_that_is_not_ours_is_a_finding() -> None:
    assert verify("int main(void) { return 0; }\n", header()).finding
