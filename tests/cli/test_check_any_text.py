"""`ullage check` of a damaged spec, or of anything: faults with places, or a screen; never a traceback, and soon."""

import contextlib
import gc
import io
import random
import re
import time
from pathlib import Path

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from ullage_cli.main import main

ROOT = Path(__file__).parents[2]
GOOD = [path.read_bytes() for path in sorted((ROOT / "spec").rglob("*.toml"))]
FAULTY = [
    path.read_bytes().partition(b"====")[0] for path in sorted((ROOT / "tests" / "protocol" / "faults").glob("*.txt"))
]
SIGNS = (
    *(b'"', b"'", b"[", b"]", b"{", b"}", b"=", b",", b"\n", b"\r", b"#", b".", b"0", b"\\", b"\t", b'"""'),
    *(b"\xff", b"\x00", b"\xef\xbb\xbf", b"\xc3\xa9", b"\xe6\xb0\xb4", b"\xe2\x80\xa8", b"[[frame]]", b"1e9", b"true"),
)
PIECES = st.one_of(st.binary(max_size=4), st.sampled_from(SIGNS))
MANY = settings(
    derandomize=True, deadline=None, max_examples=80, suppress_health_check=[HealthCheck.function_scoped_fixture]
)


def check(folder: Path, octets: bytes) -> str:
    """Run the command in this process on these octets, and look at all that it says."""
    file = folder / "spec.toml"
    file.write_bytes(octets)
    out, err = io.StringIO(), io.StringIO()
    # What other tests left behind shall not be finalised in the depth of a recursion, where it could only complain.
    gc.collect()
    gc.disable()
    start = time.perf_counter()
    try:
        with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
            code = main(["check", str(file)])
    finally:
        gc.enable()
    assert time.perf_counter() - start < 3
    said = out.getvalue()
    assert err.getvalue() == ""
    assert code in (0, 1)
    if code:
        counted = re.findall(r"^(\d+) faults? in ", said, re.MULTILINE)
        assert counted == [str(len(re.findall(r"^.*spec\.toml:\d+:\d+: .", said, re.MULTILINE)))]
    return said


def damaged(octets: bytes, rng: random.Random) -> bytes:
    """With one to three places overwritten, cut or filled."""
    for _ in range(rng.randint(1, 3)):
        place = rng.randint(0, len(octets))
        octets = octets[:place] + rng.choice((b"", *SIGNS)) + octets[place + rng.randint(0, 3) :]
    return octets


@MANY
@given(st.sampled_from(GOOD + FAULTY), st.integers(0, 2**32))
def test_a_damaged_spec_of_ours(tmp_path: Path, octets: bytes, seed: int) -> None:
    check(tmp_path, damaged(octets, random.Random(seed)))


@MANY
@given(st.one_of(st.binary(max_size=80), st.lists(PIECES, max_size=20).map(b"".join)))
@example(b"a = " + b"[" * 20_000)
@example(b"a = " + b"{ b = " * 5_000)
@example(b"a." * 5_000 + b"b = 1")
@example(b'"' * 10_001)
@example(b"a = " + b"1" * 20_000)
def test_octets_that_are_no_toml(tmp_path: Path, octets: bytes) -> None:
    assert re.search(r"^\d+ faults? in ", check(tmp_path, octets), re.MULTILINE)


@pytest.mark.parametrize("octets", GOOD)
def test_the_shipped_specs_have_no_fault(tmp_path: Path, octets: bytes) -> None:
    assert " faults in " not in check(tmp_path, octets)
