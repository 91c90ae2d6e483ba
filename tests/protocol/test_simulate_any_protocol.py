"""The log of any protocol is read as its truth says: by whoever reads lines, not only octets."""

from hypothesis import HealthCheck, given, settings

import ullage
from support.protocols import specs
from support.tiny import generated
from ullage import Message, Refused
from ullage.logs.lines import Found, LineReader, Rejected
from ullage.simulation.simulate import simulate
from ullage.words.as_json import json_values


@given(text=specs())
@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.too_slow, HealthCheck.filter_too_much])
def test_a_reader_of_lines_finds_what_must_be_found(text: str) -> None:
    protocol = generated(text)
    reader = LineReader(protocol.shortest, parts=protocol.integrity is not None)
    for happening in simulate(protocol, 60):
        truth = happening.truth
        if happening.text is None:
            continue
        found = reader.judge(happening.text, protocol.decode, Refused)
        must = "reading" if isinstance(found, Found) else "refused" if isinstance(found, Rejected) else "none"
        assert must == truth["must"], truth
        if isinstance(found, Found):
            assert read_of(found.message) == truth.get("read", {key: truth.get(key) for key in ("frame", "values")})


def read_of(message: Message) -> dict[str, object]:
    return {"frame": message.frame, "values": json_values(message.values)}


def test_a_list_that_is_often_empty_is_also_full() -> None:
    protocol = ullage.loads(
        '[protocol]\nname = "p"\n[[frame]]\nname = "f"\nfield = ['
        '{ name = "n", kind = "count", bits = 8 },'
        '{ name = "many", kind = "list", counted_by = "n", at_most = 200, field = ['
        '{ name = "x", kind = "count", bits = 8 }] }]\n'
    )
    sent = [one.truth["values"] for one in simulate(protocol, 300) if one.truth.get("kind") == "frame"]
    counts = [len(values["many"]) for values in sent]
    assert counts.count(0) > 10
    assert counts.count(200) > 10
    assert len(set(counts)) > 50
