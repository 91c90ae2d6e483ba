"""AES-CCM as RFC 3610 and NIST SP 800-38C have it. Frames use L = 2: nonces of 13 octets, texts of at most 65535.

Shorter nonces work too, because most published vectors have them. The work is done by the package `cryptography`,
imported when it is first needed; lengths are looked at before, so that whatever is asked ends in octets, in WrongTag or
in one plain sentence.
"""

import contextlib
from typing import TYPE_CHECKING

from .errors import SealError, WrongTag
from .keys import Key

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.ciphers.aead import AESCCM

NONCE_OCTETS = 13
"""Of every frame: 15 - L (RFC 3610 section 2.1)."""

NONCES = range(7, 14)
"""Octets that CCM's nonces have."""

TAG_OCTETS = (4, 6, 8, 10, 12, 14, 16)
MOST_ASSOCIATED_OCTETS = 0x7FFF_FFFF
"""CCM takes more, the library does not."""

_MISSING = "sealed frames need the package cryptography; pip install 'ullage[seal]' gets it"


def seal(key: Key, nonce: bytes, plaintext: bytes, associated: bytes, tag_octets: int) -> bytes:
    """Encrypt a text and vouch for it and for the associated octets before it.

    key: 128, 192 or 256 bits. nonce: 13 octets, or 7..12 for longer texts. Never seal twice with one key and nonce,
    whatever the text: the second frame gives away both. plaintext: 0..65535 octets with a nonce of 13; associated: not
    encrypted, not part of the result. tag_octets: 4, 6, .. 16. Returns as many octets as the text has, then the tag.
    Raises SealError for anything else.
    """
    _check(nonce, len(plaintext), len(associated), tag_octets)
    return _cipher(key, tag_octets).encrypt(bytes(nonce), bytes(plaintext), bytes(associated))


def open_(key: Key, nonce: bytes, sealed: bytes, associated: bytes, tag_octets: int) -> bytes:
    """The text again, if the tag vouches for it.

    key, nonce, associated, tag_octets: as they were for `seal`. sealed: what `seal` gave, text then tag. Returns the
    plaintext. Raises WrongTag when the tag does not fit, also when `sealed` is shorter than a tag: nothing of the text
    is revealed. Raises SealError where `seal` does.
    """
    _check(nonce, len(sealed) - tag_octets, len(associated), tag_octets)
    cipher = _cipher(key, tag_octets)
    from cryptography.exceptions import InvalidTag  # here, for it is there when the cipher is

    opened: bytes | None = None
    with contextlib.suppress(InvalidTag):
        opened = cipher.decrypt(bytes(nonce), bytes(sealed), bytes(associated))
    if opened is None:
        raise WrongTag
    return opened


def _check(nonce: bytes, text_octets: int, associated_octets: int, tag_octets: int) -> None:
    if tag_octets not in TAG_OCTETS:
        raise SealError(f"a tag of {tag_octets} octets is none that CCM has: 4, 6, 8, 10, 12, 14 or 16")
    if len(nonce) not in NONCES:
        raise SealError(f"a nonce has 7 to {NONCE_OCTETS} octets, not {len(nonce)}")
    most = (1 << 8 * (15 - len(nonce))) - 1
    if text_octets > most:
        raise SealError(f"a text of {text_octets} octets is too long for a nonce of {len(nonce)}: at most {most}")
    if associated_octets > MOST_ASSOCIATED_OCTETS:
        raise SealError(f"{associated_octets} associated octets are too many: at most {MOST_ASSOCIATED_OCTETS}")


def _cipher(key: Key, tag_octets: int) -> "AESCCM":
    try:
        from cryptography.hazmat.primitives.ciphers.aead import AESCCM
    except ImportError:
        raise SealError(_MISSING) from None
    return AESCCM(key.octets, tag_octets)
