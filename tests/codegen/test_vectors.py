"""The vectors have the schema's form, every boundary and reason of a spec, and only what the codec answers."""

import json
import re
from fractions import Fraction
from functools import cache
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from hypothesis import HealthCheck, Phase, given, settings

import ullage
from support.protocols import specs
from support.tiny import generated, load
from ullage.codes import gaps, reasons
from ullage.layout import Choice, Layout, Scaled
from ullage.packing import with_check
from ullage.quantity import exact
from ullage_codegen.vectors import document as module
from ullage_codegen.vectors.document import VectorFault, emitted_vectors, vectors

SPEC = Path(__file__).parents[2] / "spec"
SHIPPED = [ullage.load(path) for path in sorted(SPEC.rglob("*.toml"))]
ORCHARD = ullage.load(SPEC / "orchard.toml")
SCHEMA = jsonschema.Draft202012Validator(json.loads((SPEC / "vectors.schema.json").read_text(encoding="ascii")))
EVERY_FRAME = settings(
    derandomize=True, deadline=None, max_examples=6, phases=[Phase.generate], suppress_health_check=list(HealthCheck)
)


@cache
def written(protocol: ullage.Protocol) -> dict[str, Any]:
    """The file, as a program in any language reads it."""
    data: dict[str, Any] = json.loads(emitted_vectors(protocol, "test.toml").text)
    return data


def complete(data: dict[str, Any]) -> None:
    """The file has the schema's form, names that tell vectors apart, and a vector for each reason and status."""
    SCHEMA.validate(data)
    for way in ("decode", "encode"):
        names = [vector["name"] for vector in data[way]]
        assert len(set(names)) == len(names)
    assert {one["refused"]: one["reason"] for one in data["decode"] if "refused" in one} == data["reasons"]
    assert {one["refused"]: one["status"] for one in data["encode"] if "refused" in one} == data["statuses"]


def test_the_schema_is_a_schema() -> None:
    jsonschema.Draft202012Validator.check_schema(SCHEMA.schema)


@pytest.mark.parametrize("protocol", SHIPPED, ids=lambda protocol: protocol.name)
def test_a_shipped_spec_has_vectors_for_all_that_its_ends_can_answer(protocol: ullage.Protocol) -> None:
    data = written(protocol)
    complete(data)
    assert list(data["reasons"].values()) == [int(reason) for reason in reasons(protocol)]


@EVERY_FRAME
@given(specs())
def test_a_generated_spec_has_vectors_for_all_that_its_ends_can_answer(text: str) -> None:
    protocol = generated(text)
    data = written(protocol)
    complete(data)
    assert list(data["reasons"].values()) == [int(reason) for reason in reasons(protocol)]


def test_the_same_spec_gives_the_same_ascii_text() -> None:
    text = (SPEC / "orchard.toml").read_text(encoding="utf-8")
    one, other = (emitted_vectors(ullage.loads(text), "orchard.toml").text for _ in range(2))
    assert one == other
    assert one.isascii()


def test_the_remark_counts_the_vectors_and_lists_the_answers() -> None:
    emitted = emitted_vectors(ORCHARD, "orchard.toml")
    data = json.loads(emitted.text)
    assert emitted.file_name == "orchard_vectors.json"
    assert emitted.remark == (
        f"{len(data['decode']) + len(data['encode'])} vectors\n  reasons {' '.join(data['reasons'])}"
        f"\n  statuses {' '.join(data['statuses'])}"
    )


def values_of(protocol: ullage.Protocol, frame: str, field: str) -> list[Any]:
    """What accepted vectors have in a field."""
    accepted = [one for one in written(protocol)["decode"] if one.get("frame") == frame]
    return [one["values"][field] for one in accepted]


@pytest.mark.parametrize("layout", ORCHARD.frames.values(), ids=lambda layout: layout.name)
def test_every_end_special_code_and_choice_of_every_field_is_accepted_once(layout: Layout) -> None:
    for slot in layout.values:
        found = values_of(ORCHARD, layout.name, slot.name)
        wanted: list[Any] = []
        if isinstance(slot.transform, Scaled):
            wanted = [slot.transform.quantity(steps) for steps in (slot.transform.lowest, slot.transform.highest)]
            wanted += [{"special": special.name} for special in slot.transform.specials]
        elif isinstance(slot.transform, Choice):
            wanted = [code.name for code in slot.transform.codes]
        elif slot.kind == "flag":
            wanted = [False, True]
        assert not [one for one in wanted if one not in found], slot.name


@pytest.mark.parametrize("layout", ORCHARD.frames.values(), ids=lambda layout: layout.name)
def test_both_edges_of_every_gap_of_every_field_are_refused(layout: Layout) -> None:
    """Read from the octets themselves: in each refused frame of right length and check, the code in the slot."""
    sound = [
        octets
        for one in written(ORCHARD)["decode"]
        if len(octets := bytes.fromhex(one["octets"])) == layout.octets and one.get("refused") == "not_a_value"
    ]
    bodies = [octets[: layout.body_octets] for octets in sound if with_check(ORCHARD, octets[:-2]) == octets]
    for slot in layout.values:
        if slot.kind == "text":
            continue
        shift, mask = 8 * layout.body_octets - slot.end, (1 << slot.bits) - 1
        codes = {int.from_bytes(body, "big") >> shift & mask for body in bodies}
        assert {edge for gap in gaps(slot) for edge in gap} <= codes, slot.name


def test_one_step_beyond_each_end_is_refused_both_ways() -> None:
    data = written(ORCHARD)
    refused = [one for one in data["encode"] if one.get("refused") == "out_of_range"]
    distances = {one["values"]["distance"] for one in refused if one["frame"] == "level_report"} - {3125}
    assert {249, 6001} <= {one for one in distances if isinstance(one, int)}
    names = {one["name"]: one.get("refused") for one in data["decode"]}
    assert names["level_report: distance code 5751 stands for nothing"] == "not_a_value"


@pytest.mark.parametrize("protocol", SHIPPED, ids=lambda protocol: protocol.name)
def test_only_vectors_that_say_so_need_rounding(protocol: ullage.Protocol) -> None:
    for vector in written(protocol)["encode"]:
        layout = protocol.frames[vector["frame"]]
        whole = all(
            (exact(vector["values"][slot.name]) / slot.transform.step).denominator == 1
            for slot in layout.values
            if isinstance(slot.transform, Scaled) and isinstance(vector["values"].get(slot.name), int | float)
        )
        clamped = "the end is sent" in vector["name"]
        assert vector.get("rounds", False) == (not whole or clamped), vector["name"]


def test_ties_go_to_the_even_step() -> None:
    vectors = {one["name"]: one for one in written(ORCHARD)["encode"]}
    for name, steps in (
        ("level_report: distance 3124.5 goes as 3124 mm", 3124),
        ("level_report: distance 3125.5 goes as 3126 mm", 3126),
    ):
        octets = bytes.fromhex(vectors[name]["octets"])
        assert int.from_bytes(octets[5:7], "big") & 0x1FFF == steps - 250
        assert Fraction(vectors[name]["values"]["distance"]) * 2 == 2 * steps + (1 if steps == 3124 else -1)


def test_what_no_double_holds_is_marked_wide() -> None:
    data = written(load('name = "x", kind = "count", bits = 64'))
    wide = [one for one in data["decode"] if one.get("wide")]
    assert {one["values"]["x"] for one in wide} >= {2**64 - 1, 0x0123456789ABCDEF}
    assert all(one["values"]["x"] > 2**53 for one in wide)
    assert not [one for one in written(ORCHARD)["decode"] if "wide" in one]


def test_a_codec_that_answers_otherwise_ends_in_a_fault_and_not_in_a_wrong_vector(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def refuses(*_: Any) -> None:
        raise ullage.Refused(ullage.Status.INTEGRITY, "always")

    monkeypatch.setattr(ullage.Protocol, "decode", refuses)
    with pytest.raises(VectorFault, match="level_report: an example: integrity is not what the spec means"):
        vectors(ORCHARD)


def test_a_reason_without_a_vector_ends_in_a_fault(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "reasons", lambda protocol: (*reasons(protocol), ullage.Status.WRONG_TAG))
    with pytest.raises(VectorFault, match="no vector of orchard gives wrong_tag"):
        vectors(ORCHARD)


def test_a_frame_that_may_end_inside_an_octet_has_each_fill_bit_set_once() -> None:
    protocol = load(
        'name = "n", kind = "count", bits = 4',
        'name = "xs", kind = "list", counted_by = "n", at_most = 9, field = [{ name = "x", kind = "count", bits = 3 }]',
    )
    found = [one for one in written(protocol)["decode"] if re.search(r"fill bit \d of \d is set", one["name"])]
    assert {one["refused"] for one in found} == {"spare_not_zero"}
    last = [bytes.fromhex(one["octets"])[-1] for one in found]
    assert {octet & (1 << len(found)) - 1 for octet in last} == {1 << bit for bit in range(len(found))}
    assert len(found) > 1


def test_lists_and_groups_are_tried_shortest_longest_and_one_too_long() -> None:
    protocol = load(
        'name = "n", kind = "count", range = [1, 5]',
        'name = "more", kind = "flag"',
        'name = "xs", kind = "list", counted_by = "n", at_most = 5, field = [{ name = "x", kind = "count", bits = 8 }]',
        'name = "extra", kind = "group", when = "more", field = [{ name = "t", kind = "binary32", unit = "Cel" }]',
    )
    data = written(protocol)
    accepted = [one["values"] for one in data["decode"] if "values" in one]
    assert {len(one["xs"]) for one in accepted} >= {1, 2, 5}
    assert {one["extra"] is None for one in accepted} == {True, False}
    sizes = {one["refused"]: len(one["values"]["xs"]) for one in data["encode"] if "items, one too" in one["name"]}
    assert sizes == {"too_many": 6, "out_of_range": 0}
    assert data["statuses"] == {"out_of_range": 32, "too_many": 33, "no_room": 34}
