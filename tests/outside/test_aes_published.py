"""AES-128 of the C parts against published values: FIPS 197, and NIST's CAVP files in cryptography-vectors."""

from pathlib import Path

import cryptography_vectors
import pytest

from support.ends import Build, need
from support.seal_c import AES_PREFIX, BUILDS, CCipher, compiled, library
from ullage_codegen.c.seal import substitution_box

FOLDER = Path(cryptography_vectors.__file__).parent / "ciphers/AES/ECB"

FIPS_197 = [
    ("2b7e151628aed2a6abf7158809cf4f3c", "3243f6a8885a308d313198a2e0370734", "3925841d02dc09fbdc118597196a0b32"),
    ("000102030405060708090a0b0c0d0e0f", "00112233445566778899aabbccddeeff", "69c4e0d86a7b0430d8cdb78070b4c55a"),
]
"""NIST FIPS 197, appendices B and C.1: key, plain text, cipher text."""


@pytest.fixture(scope="module", params=BUILDS, ids=lambda build: build.name)
def cipher(request: pytest.FixtureRequest) -> CCipher:
    return CCipher(library(request.param))


@pytest.mark.parametrize(("key", "plain", "coded"), FIPS_197, ids=["appendix_B", "appendix_C1"])
def test_the_examples_of_fips_197_come_out(cipher: CCipher, key: str, plain: str, coded: str) -> None:
    assert cipher.block(bytes.fromhex(key), bytes.fromhex(plain)).hex() == coded


def encryptions(path: Path) -> list[tuple[str, str, str]]:
    """The [ENCRYPT] half of a CAVP file: key, plain text, cipher text."""
    found, values = [], dict[str, str]()
    for line in path.read_text().partition("[DECRYPT]")[0].splitlines():
        name, _, value = line.partition(" = ")
        values[name] = value.strip()
        if name == "CIPHERTEXT":
            found.append((values["KEY"], values["PLAINTEXT"], values["CIPHERTEXT"]))
    return found


@pytest.mark.parametrize(
    ("name", "count"), [("GFSbox", 7), ("KeySbox", 21), ("VarKey", 128), ("VarTxt", 128), ("MMT", 10)]
)
def test_the_128_bit_files_of_cavp_come_out(cipher: CCipher, name: str, count: int) -> None:
    """NIST CAVP, AESVS (2011), in cryptography-vectors: several blocks at once in the file MMT."""
    cases = encryptions(FOLDER / f"ECB{name}128.rsp")
    assert len(cases) == count
    for key, plain, coded in cases:
        blocks = [bytes.fromhex(plain[at : at + 32]) for at in range(0, len(plain), 32)]
        assert "".join(cipher.block(bytes.fromhex(key), block).hex() for block in blocks) == coded


def test_the_substitution_box_begins_and_ends_as_in_fips_197() -> None:
    """NIST FIPS 197, figure 7 (from memory); the rest follows from the vectors above."""
    box = substitution_box()
    assert [box[0x00], box[0x01], box[0x53], box[0xFE], box[0xFF]] == [0x63, 0x7C, 0xED, 0xBB, 0x16]
    assert sorted(box) == list(range(256))


@pytest.mark.parametrize("build", [Build("gcc", "c", 1), Build("g++", "c++", 1)], ids=lambda build: build.name)
def test_a_block_function_of_the_chip_takes_the_place_of_ours(build: Build, tmp_path: Path) -> None:
    """Here the chip is a function that writes what it was given: the key, and the block turned round."""
    need(build.compiler)
    chip = (
        "static inline void chip_aes(const uint8_t key[16], uint8_t block[16])\n"
        "{\n    uint8_t i;\n    for (i = 0u; i < 16u; i++) { block[i] = (uint8_t)(block[i] ^ key[15u - i]); }\n}\n"
        "#define ORCHARD_AES_BLOCK(key, block) chip_aes((key), (block))\n"
    )
    cipher = CCipher(compiled(build, tmp_path, chip, {(32, 16): AES_PREFIX}))
    key, block = bytes(range(16)), bytes(range(100, 116))
    assert cipher.block(key, block) == bytes(b ^ k for b, k in zip(block, reversed(key), strict=True))
    assert cipher.made.t_orchard_key_size() == 16
    sealed = cipher.seal(key, bytes(13), b"twelve octet", b"head", 8)
    assert cipher.open(key, bytes(13), sealed, b"head", 8) == b"twelve octet"
