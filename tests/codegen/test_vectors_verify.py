"""--verify gives its four answers for vectors and self-test as for the header, with the fields that differ."""

from collections.abc import Callable
from pathlib import Path

import pytest

import ullage
from ullage_codegen.c import self_test
from ullage_codegen.c.self_test import emitted_self_test
from ullage_codegen.emitted import Emitted
from ullage_codegen.vectors import document as vectors
from ullage_codegen.vectors.document import emitted_vectors
from ullage_codegen.verify import verify

SPEC = (Path(__file__).parents[2] / "spec" / "orchard.toml").read_text(encoding="utf-8")
Emit = Callable[[ullage.Protocol, str], Emitted]
BOTH = pytest.mark.parametrize("emit", [emitted_vectors, emitted_self_test])


def text(emit: Emit, spec: str = SPEC) -> str:
    return emit(ullage.loads(spec), "orchard.toml").text


@BOTH
def test_the_same_text_is_no_finding(emit: Emit) -> None:
    assert not verify(text(emit), text(emit)).finding


@BOTH
def test_another_tool_version_alone_is_no_finding_but_a_note(emit: Emit, monkeypatch: pytest.MonkeyPatch) -> None:
    new = text(emit)
    for module in (vectors, self_test):
        monkeypatch.setattr(module, "__version__", "0.0.1")
    verdict = verify(text(emit), new)
    assert not verdict.finding
    assert verdict.lines == (f"the same but for the tool's version: 0.0.1, now {ullage.__version__}",)


@BOTH
def test_other_vectors_under_the_same_fingerprint_are_a_finding(emit: Emit) -> None:
    old = text(emit).replace("a zero too long", "one zero too long")
    verdict = verify(old, text(emit))
    assert verdict.finding
    assert "is the same, the code differs" in verdict.lines[0]


@BOTH
def test_another_fingerprint_is_a_finding_with_the_fields(emit: Emit) -> None:
    changed = SPEC.replace("range = [250, 6000],  step = 1", "range = [250, 6001],  step = 1")
    verdict = verify(text(emit), text(emit, changed))
    assert verdict.finding
    found = "\n".join(verdict.lines)
    assert "is of another spec" in verdict.lines[0]
    assert "level_report: - bit 43 13 measure distance 250..6000 mm by 1 mm" in found
    assert "level_report: + bit 43 13 measure distance 250..6001 mm by 1 mm" in found
    assert "valve_order" not in found


@BOTH
def test_a_new_and_a_lost_frame_are_named(emit: Emit) -> None:
    found = "\n".join(verify(text(emit), text(emit, SPEC.replace('"acknowledgement"', '"answer"'))).lines)
    assert "acknowledgement: no longer there" in found
    assert "answer: new" in found


@BOTH
def test_another_file_is_a_finding(emit: Emit) -> None:
    assert verify("{}\n", text(emit)).finding
