"""The C decoder of two revisions says what Python's receiver says, and tells an old message in the newest words."""

import random
from functools import cache

import pytest
from hypothesis import HealthCheck, Phase, given, reject, settings
from hypothesis import strategies as st

import ullage
from support.cases import Packer, received, seal
from support.ends import BUILDS, Build, need
from support.older import BothEnd, BothReference, Got
from support.protocols import specs
from support.revised import PAIRS, changed
from ullage.errors import UllageError
from ullage_codegen.c import older as colder
from ullage_codegen.c.header import model

Asked = tuple[bytes, int | None]


def questions(newest: ullage.Protocol, older: ullage.Protocol, seed: int) -> list[Asked]:
    """Octets of all kinds, and the receiving station: none, and one that either of them can have."""
    rng = random.Random(seed)
    octets = [*received(newest, rng), *received(older, rng)]
    for layout in older.frames.values():
        packer = Packer(layout, rng)
        octets += [seal(older, packer.random_body()) for _ in range(60)]
    addressed = newest.destination_slot or older.destination_slot
    return [(one, at) for one in octets for at in ((None, 1) if addressed else (None,))]


def agree(newest: ullage.Protocol, older: ullage.Protocol, build: Build, asked: list[Asked]) -> list[Got]:
    """Ask the C, and hold each answer against the reference."""
    both, reference = BothEnd(newest, older, build), BothReference(newest, older)
    seen: list[Got] = []
    for octets, at in asked:
        got = both.decode(octets, at)
        reference.check(octets, at, got)
        seen.append(got)
    return seen


@cache
def by_hand(what: str) -> tuple[ullage.Protocol, ullage.Protocol, list[Asked], list[Got]]:
    """A pair of revisions, what is asked, and the answers of gcc, which are held against the reference."""
    newest, older = (ullage.loads(text) for text in PAIRS[what])
    asked = questions(newest, older, seed=1)
    return newest, older, asked, agree(newest, older, BUILDS[1], asked)


@pytest.mark.parametrize("what", PAIRS)
def test_both_revisions_are_read_as_python_reads_them(what: str) -> None:
    need("gcc")
    newest, older, _, seen = by_hand(what)
    fine = [got for got in seen if got.status == 0]
    assert {got.revision for got in fine} == {newest.revision, older.revision}
    header = model(newest, older)
    assert header.older
    assert {got.status for got in seen} <= {int(status) for status in header.statuses}
    for frame, marks in header.older.conversions.marks.items():
        told = [got.missing for got in fine if got.revision == older.revision and got.frame == frame]
        assert {mark.constant for mark in marks} == frozenset().union(*told), "a bit that is never set"
        always = {mark.constant for mark in marks if mark.always}
        # What is sound in both is refused, and that can be all frames in which a member is there.
        assert always == frozenset.intersection(*told) or (header.older.ambiguous and always <= told[0])


@pytest.mark.parametrize("build", BUILDS[3:], ids=lambda build: build.name)
@pytest.mark.parametrize("what", PAIRS)
def test_every_compiler_reads_both_revisions_alike(what: str, build: Build) -> None:
    need("gcc")
    need(build.compiler)
    newest, older, asked, seen = by_hand(what)
    both = BothEnd(newest, older, build)
    assert [both.decode(octets, at) for octets, at in asked[::3]] == seen[::3]


def test_what_is_sound_in_both_is_ambiguous() -> None:
    need("gcc")
    newest, older, asked, seen = by_hand("no revision on the air")
    both = {octets for octets, _ in asked if accepts(newest, octets) and accepts(older, octets)}
    assert both
    answers = {octets: got.status for (octets, _), got in zip(asked, seen, strict=True)}
    assert {answers[octets] for octets in both} == {int(ullage.Status.AMBIGUOUS)}


def accepts(protocol: ullage.Protocol, octets: bytes) -> bool:
    try:
        protocol.decode(octets)
    except ullage.Refused:
        return False
    return True


@settings(
    max_examples=8,
    deadline=None,
    derandomize=True,
    phases=[Phase.generate],
    suppress_health_check=list(HealthCheck),
)
@given(specs(), st.integers(0, 2**32))
def test_both_revisions_of_a_drawn_and_changed_spec_are_read_as_python_reads_them(text: str, seed: int) -> None:
    need("gcc")
    newest, older = changed_pair(text, seed)
    agree(newest, older, BUILDS[seed % 3], questions(newest, older, seed))


@settings(
    max_examples=20,
    deadline=None,
    derandomize=True,
    phases=[Phase.generate],
    suppress_health_check=list(HealthCheck),
)
@given(specs(), st.integers(0, 2**32))
def test_where_no_frame_can_be_sound_in_both_none_is(text: str, seed: int) -> None:
    newest, older = changed_pair(text, seed)
    if colder.may_both_accept(newest, older):
        return
    for octets, _ in questions(newest, older, seed):
        assert not (accepts(newest, octets) and accepts(older, octets))


def changed_pair(text: str, seed: int) -> tuple[ullage.Protocol, ullage.Protocol]:
    """A drawn spec's newest and older revision; hypothesis tries another where there is none."""
    pair = changed(text, random.Random(seed))
    if pair is None:
        reject()
    try:
        colder.refuse_strangers(*pair)
    except UllageError:
        reject()
    return pair
