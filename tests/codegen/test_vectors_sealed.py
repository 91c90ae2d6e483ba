"""Vectors of sealed frames: every question has one, the cipher alone confirms them, and other ends agree with them."""

from __future__ import annotations

import json
import re
from functools import cache
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from cryptography.exceptions import InvalidTag
from cryptography.hazmat.primitives.ciphers.aead import AESCCM
from hypothesis import HealthCheck, Phase, given, settings

import ullage
from support.protocols import sealed_specs
from support.python_module_end import module_of
from support.sealed_specs import CRC, SEALED, orchard
from support.tiny import generated
from ullage.codes import reasons
from ullage.layout import Entry, Gate, Opaque, Repeat, Slot
from ullage.packing import with_check
from ullage.values import Special
from ullage_codegen.vectors.document import emitted_vectors

SPEC = Path(__file__).parents[2] / "spec"
SCHEMA = jsonschema.Draft202012Validator(json.loads((SPEC / "vectors.schema.json").read_text(encoding="ascii")))
EACH = pytest.mark.parametrize("name", SEALED)
DRAWN = settings(
    derandomize=True, deadline=None, max_examples=6, phases=[Phase.generate], suppress_health_check=list(HealthCheck)
)


@cache
def written(text: str) -> dict[str, Any]:
    """The file, as a program in any language reads it."""
    data: dict[str, Any] = json.loads(emitted_vectors(ullage.loads(text), "test.toml").text)
    return data


def complete(text: str) -> None:
    """The file has the schema's form, names that tell vectors apart, and a vector for each reason and status."""
    data, protocol = written(text), ullage.loads(text)
    SCHEMA.validate(data)
    for way in ("decode", "encode"):
        names = [vector["name"] for vector in data[way]]
        assert len(set(names)) == len(names)
    assert {one["refused"]: one["reason"] for one in data["decode"] if "refused" in one} == data["reasons"]
    assert {one["refused"]: one["status"] for one in data["encode"] if "refused" in one} == data["statuses"]
    assert list(data["reasons"].values()) == [int(reason) for reason in reasons(protocol)]
    assert {"no_key", "wrong_tag", "replay"} <= data["reasons"].keys()
    assert data["statuses"]["counter_spent"] == 35
    assert {key["octets"] for key in data["keys"]} >= {one["key"]["octets"] for one in data["decode"] if "key" in one}


@EACH
def test_a_sealed_spec_has_vectors_for_all_that_its_ends_can_answer(name: str) -> None:
    complete(SEALED[name])


@DRAWN
@given(sealed_specs())
def test_a_generated_sealed_spec_has_vectors_for_all_that_its_ends_can_answer(text: str) -> None:
    generated(text)
    complete(text)


def test_the_keys_are_named_with_their_source_and_a_warning() -> None:
    data = written(SEALED["orchard"])
    assert data["warning"].startswith("These keys are printed in standards, so everybody has them: for tests alone")
    assert data["keys"] == [
        {"octets": "d7828d13b2b0bdc325a76236df93cc6b", "from": "RFC 3610 section 8, packet vectors 13 to 24"},
        {"octets": "404142434445464748494a4b4c4d4e4f", "from": "NIST SP 800-38C appendix C, examples 1 to 4"},
    ]
    rows = (Path(__file__).parents[1] / "outside" / "rfc3610_packets.csv").read_text(encoding="ascii").splitlines()
    assert {row.split(",")[1] for row in rows if re.match(r"(1[3-9]|2[0-4]),", row)} == {data["keys"][0]["octets"]}


@EACH
def test_a_key_file_with_a_key_of_the_vectors_is_refused(name: str) -> None:
    for key in written(SEALED[name])["keys"]:
        with pytest.raises(ullage.SpecError, match=r"printed in a standard|counts or repeats"):
            ullage.seal.read_keys(f'[keys]\n17 = "{key["octets"]}"\n', "keys.toml", key_bits=4 * len(key["octets"]))


def test_a_file_without_sealed_frames_says_nothing_of_keys() -> None:
    text = orchard().split("[seal]")[0].replace(", counter_bits = 32", "") + CRC
    found = emitted_vectors(ullage.loads(text), "x").text
    for word in ("key", "counter", '"highest"', "tag"):
        assert word not in found


@pytest.mark.parametrize(
    "change",
    [
        {"highest": 3}, {"counter": 3}, {"key": {"station": 17}}, {"key": {"station": 17, "octets": "00"}},
        {"key": {"station": "17", "octets": "00" * 16}},
    ],
    ids=str,
)  # fmt: skip
def test_the_schema_holds_what_belongs_together(change: dict[str, Any]) -> None:
    data = written(SEALED["orchard"])
    vector = next(one for one in data["decode"] if "key" not in one and "values" in one)
    changed = [{**one, **change} if one is vector else one for one in data["decode"]]
    with pytest.raises(jsonschema.ValidationError):
        SCHEMA.validate({**data, "decode": changed})


# ---- the orchard, by the cipher alone --------------------------------------------------------------------------------


def by_hand(octets: bytes, key: bytes, counter: int) -> bytes | None:
    """The body in the clear, by FORMAT's words on the nonce: network, source, counter, zeros. None: the tag fails."""
    nonce = bytes.fromhex("4f52") + octets[2:3] + counter.to_bytes(4, "big") + bytes(6)
    try:
        return octets[:5] + AESCCM(key, 8).decrypt(nonce, octets[5:-2], octets[:5])
    except InvalidTag:
        return None


def test_the_cipher_alone_opens_what_is_accepted_and_nothing_whose_tag_is_wrong() -> None:
    text = orchard()
    plain = ullage.loads(text.split("[seal]")[0].replace(", counter_bits = 32", "") + CRC)
    opened = failed = 0
    for vector in written(text)["decode"]:
        if "key" not in vector:
            continue
        octets, key = bytes.fromhex(vector["octets"]), bytes.fromhex(vector["key"]["octets"])
        if "counter" in vector:
            body = by_hand(octets, key, vector["counter"])
            assert body is not None, vector["name"]
            assert vector["counter"] & 0xFFFF == int.from_bytes(octets[3:5], "big")
            message = plain.decode(with_check(plain, body))
            assert message.values == meant(plain.frames[message.frame].entries, vector["values"])
            opened += 1
        elif vector["refused"] == "wrong_tag":
            first = max(0, vector.get("highest", 0) - 63)
            low = int.from_bytes(octets[3:5], "big")
            start = first + ((low - first) & 0xFFFF)
            assert not any(by_hand(octets, key, start + (part << 16)) for part in range(17)), vector["name"]
            failed += 1
    assert opened > 40
    assert failed > 20


def test_the_cipher_alone_opens_what_is_sealed() -> None:
    text = orchard()
    plain = ullage.loads(text.split("[seal]")[0].replace(", counter_bits = 32", "") + CRC)
    for vector in written(text)["encode"]:
        if "octets" in vector and "key" in vector and "rounds" not in vector:
            body = by_hand(bytes.fromhex(vector["octets"]), bytes.fromhex(vector["key"]["octets"]), vector["counter"])
            values = meant(plain.frames[vector["frame"]].entries, vector["values"])
            assert body == plain.codec.body(vector["frame"], values), vector["name"]


def test_every_kind_of_case_is_there_and_answered_as_it_must() -> None:
    found = {one["name"]: one.get("refused", "fine") for one in written(SEALED["orchard"])["decode"]}
    wanted = {
        "report: no key is given": "no_key",
        "report: only another station's key is given": "no_key",
        "report: another key of this station": "wrong_tag",
        "report: first bit of the tag turned over": "wrong_tag",
        "report: last bit of the tag turned over": "wrong_tag",
        "report: first encrypted bit turned over": "wrong_tag",
        "report: bit 7 of octet 4, in the clear, turned over": "wrong_tag",
        "report: sealed for another network": "wrong_tag",
        "report: number 9 was accepted before": "replay",
        "report: number 9, 63 below the highest accepted one": "fine",
        "report: number 65545 after 9": "fine",
        "report: number 1114121 after 9": "wrong_tag",
        "report: distance code 5751 stands for nothing": "not_a_value",
        "report: distance wrong, and the number was accepted before": "replay",
        "report: distance wrong under another key": "wrong_tag",
        "report: no key is given, and the tag is wrong": "no_key",
        "report: for another station, and no key is given": "not_addressed",
        "order: for everybody, received by 1": "fine",
    }
    assert {name: found.get(name) for name in wanted} == wanted


# ---- ends that had no part in making them --------------------------------------------------------------------------


def meant(entries: tuple[Entry, ...], values: dict[str, Any]) -> dict[str, Any]:
    """The values of a vector as Python has them."""
    return {entry.name: _meant(entry, values[entry.name]) for entry in entries if entry.name in values}


def _meant(entry: Entry, value: Any) -> Any:
    if isinstance(entry, Repeat):
        return tuple(meant(entry.entries, item) for item in value)
    if isinstance(entry, Gate):
        return None if value is None else meant(entry.entries, value)
    if isinstance(value, dict):
        return Special(value["special"])
    return bytes.fromhex(value) if isinstance(entry, Slot) and isinstance(entry.transform, Opaque) else value


class One:
    """A counter that hands out one number."""

    def __init__(self, number: int) -> None:
        self.number = number

    def take(self) -> int:
        return self.number


def source_of(protocol: ullage.Protocol, values: dict[str, Any]) -> int:
    source = next(slot for layout in protocol.frames.values() for slot in layout.slots if slot.kind == "source")
    return int(values[source.name])


def state(protocol: ullage.Protocol, vector: dict[str, Any]) -> list[dict[str, Any]]:
    """The windows of a receiver that has accepted the vector's highest number, and no other."""
    source = next(slot for layout in protocol.frames.values() for slot in layout.slots if slot.kind == "source")
    octets = bytes.fromhex(vector["octets"])
    code = int.from_bytes(octets, "big") >> (8 * len(octets) - source.end) & ((1 << source.bits) - 1)
    window = {"top": str(vector["highest"]), "mask": "0000000000000001"}
    key = vector["key"]["station"]
    return [{"protocol": protocol.name, "key": key, "source": source.turned(code), "window": window}]


def module_agrees(text: str) -> None:
    """All vectors on the emitted Python module."""
    protocol = ullage.loads(text)
    module = module_of(protocol)
    for vector in written(text)["decode"]:
        held = vector.get("key")
        end = module.Receiver({held["station"]: bytes.fromhex(held["octets"])}) if held else module
        if "highest" in vector:
            end.restore(state(protocol, vector))
        octets = bytes.fromhex(vector["octets"])
        if "refused" in vector:
            with pytest.raises(module.Refused) as refused:
                end.decode(octets, vector.get("at"))
            assert (refused.value.number, refused.value.field) == (vector["reason"], vector["field"]), vector["name"]
            continue
        message = end.decode(octets, vector.get("at"))
        assert (module.frame_of(message), module.counter_of(message)) == (vector["frame"], vector.get("counter"))
        assert module.values(message) == meant(protocol.frames[vector["frame"]].entries, vector["values"])
    for vector in written(text)["encode"]:
        values = meant(protocol.frames[vector["frame"]].entries, vector["values"])
        if "capacity" in vector:
            continue
        try:
            answer = module_encodes(module, protocol, vector, values)
        except module.EncodeError as error:
            answer = error.number
        assert answer == (bytes.fromhex(vector["octets"]) if "octets" in vector else vector["status"]), vector["name"]


def module_encodes(module: Any, protocol: ullage.Protocol, vector: dict[str, Any], values: dict[str, Any]) -> Any:
    if "key" not in vector:
        return module.encode(vector["frame"], values)
    keys = {vector["key"]["station"]: bytes.fromhex(vector["key"]["octets"])}
    return module.Sender(source_of(protocol, values), keys, One(vector["counter"])).encode(vector["frame"], values)


@EACH
def test_the_emitted_module_agrees_with_the_vectors(name: str) -> None:
    module_agrees(SEALED[name])


@DRAWN
@given(sealed_specs())
def test_the_emitted_module_agrees_with_the_vectors_of_a_generated_spec(text: str) -> None:
    generated(text)
    module_agrees(text)
