"""Octets of a key are found in whatever way a program prints octets, and other numbers are left alone."""

import base64
import json

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ullage.seal import Key, mask, traces
from ullage.seal.masking import RUN

OCTETS = bytes.fromhex("5bd0f3a2914c6e870d1ab95f66c23e78")
KEY = Key(OCTETS, 17)

PRINTED = {
    "hex": OCTETS.hex(),
    "capitals": OCTETS.hex().upper(),
    "spaces": OCTETS.hex(" "),
    "colons": OCTETS.hex(":"),
    "words": OCTETS.hex(" ", 4),
    "words turned round": OCTETS[::-1].hex("_", 4),
    "C": "{" + ", ".join(f"0x{octet:02x}" for octet in OCTETS) + "}",
    "C without zeros": "{" + ",".join(f"0x{octet:X}u" for octet in OCTETS) + "}",
    "C text": "".join(f"\\x{octet:02x}" for octet in OCTETS),
    "octal": "".join(f"\\{octet:03o}" for octet in OCTETS),
    "Python's bytes": repr(OCTETS),
    "JSON of letters": json.dumps(OCTETS.decode("latin-1")),
    "letters": OCTETS.decode("latin-1"),
    "decimal": str(list(OCTETS)),
    "decimal, three digits": " ".join(f"{octet:03}" for octet in OCTETS),
    "signed": str([octet - 256 if octet > 127 else octet for octet in OCTETS]),
    "lines": "\n".join(str(octet) for octet in OCTETS),
    "number": str(int.from_bytes(OCTETS, "big")),
    "number, low first": str(int.from_bytes(OCTETS, "little")),
    "hex number": hex(int.from_bytes(OCTETS, "big")),
    "base64": base64.b64encode(OCTETS).decode(),
    "base64 after one": base64.b64encode(b"x" + OCTETS + b"y").decode(),
    "base64 after two": base64.b64encode(b"xy" + OCTETS + b"yyy").decode(),
    "base64 for addresses": base64.urlsafe_b64encode(OCTETS).decode(),
    "half": OCTETS[5 : 5 + RUN].hex(),
    "half in base64": base64.b64encode(OCTETS[5 : 5 + RUN]).decode(),
    "half in decimal": str(list(OCTETS[-RUN:])),
}


@pytest.mark.parametrize("printed", PRINTED.values(), ids=PRINTED)
def test_a_key_is_found_and_masked_however_it_is_printed(printed: str) -> None:
    text = f"before {printed} after"
    assert [key for key, _, _ in traces(text, [KEY])][:1] == [KEY]
    masked = mask(text, [KEY])
    assert "<key of station 17, 128 bits>" in masked
    assert not traces(masked, [KEY])
    assert masked.startswith("before ")
    assert masked.endswith(" after")


@settings(deadline=None, max_examples=10)
@given(st.binary(min_size=16, max_size=32).filter(lambda octets: len(octets) % 8 == 0), st.binary(max_size=5))
def test_any_key_is_found_in_hex_base64_and_decimal(octets: bytes, before: bytes) -> None:
    coded = base64.b64encode(before + octets + before).decode()
    text = f"{octets.hex()} | {coded} | {list(octets)} | {octets!r}"
    stretches = traces(text, [Key(octets, 3)])
    at = 0
    for part in text.split(" | ")[:3]:
        assert any(start < at + len(part) and end > at for _, start, end in stretches), part
        at += len(part) + 3
    assert stretches[-1][2] > at


def test_what_is_no_key_is_left_alone() -> None:
    other = bytes(octet ^ 0x55 for octet in OCTETS)
    text = f"{other.hex()} {list(other)} {OCTETS[: RUN - 1].hex()} {base64.b64encode(OCTETS[: RUN - 1]).decode()}"
    assert mask(text, [KEY]) == text


def test_each_key_is_called_by_its_own_name() -> None:
    other = Key(bytes(range(7, 39)), None)
    text = f"{OCTETS.hex()} and {other.octets.hex()}"
    assert mask(text, [KEY, other]) == "<key of station 17, 128 bits> and <key of the group, 256 bits>"
