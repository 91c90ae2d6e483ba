"""The layer over AES-CCM: whatever is asked ends in octets, in WrongTag, or in one plain sentence."""

import pickle
import subprocess
import sys
import traceback

import pytest
from cryptography.hazmat.primitives.ciphers.aead import AESCCM
from hypothesis import Phase, given, settings
from hypothesis import strategies as st

from support.seal_c import CCipher, library
from ullage import UllageError
from ullage.seal import Key, SealError, WrongTag, mask, traces
from ullage.seal.ccm import TAG_OCTETS, open_, seal

KEY = Key(bytes.fromhex("5bd0f3a2914c6e870d1ab95f66c23e78"), 17)
NONCE = bytes.fromhex("4f52110000000000000000002a")
TAGS = st.sampled_from(TAG_OCTETS)


@settings(deadline=None)
@given(st.sampled_from([16, 24, 32]), st.data())
def test_what_is_sealed_opens_again_and_nothing_else_does(key_octets: int, data: st.DataObject) -> None:
    key = Key(data.draw(st.binary(min_size=key_octets, max_size=key_octets)), 17)
    text, associated, tag = data.draw(st.binary(max_size=255)), data.draw(st.binary(max_size=40)), data.draw(TAGS)
    sealed = seal(key, NONCE, text, associated, tag)
    assert len(sealed) == len(text) + tag
    assert open_(key, NONCE, sealed, associated, tag) == text
    place, bit = data.draw(st.integers(0, len(sealed) - 1)), data.draw(st.integers(0, 7))
    spoiled = sealed[:place] + bytes([sealed[place] ^ 1 << bit]) + sealed[place + 1 :]
    with pytest.raises(WrongTag):
        open_(key, NONCE, spoiled, associated, tag)


@settings(derandomize=True, deadline=None, phases=[Phase.generate], max_examples=50)
@given(st.binary(min_size=16, max_size=16), st.binary(min_size=13, max_size=13), st.data())
def test_c_and_python_and_the_library_seal_alike(key: bytes, nonce: bytes, data: st.DataObject) -> None:
    text, associated, tag = data.draw(st.binary(max_size=255)), data.draw(st.binary(max_size=255)), data.draw(TAGS)
    cipher = CCipher(library())
    sealed = seal(Key(key, 1), nonce, text, associated, tag)
    assert sealed == AESCCM(key, tag).encrypt(nonce, text, associated)
    assert cipher.seal(key, nonce, text, associated, tag) == sealed
    assert cipher.open(key, nonce, sealed, associated, tag) == text
    place = data.draw(st.integers(0, len(sealed) - 1))
    spoiled = sealed[:place] + bytes([sealed[place] ^ 0x80]) + sealed[place + 1 :]
    assert cipher.open(key, nonce, spoiled, associated, tag) is None


@pytest.mark.parametrize("octets", [0, 1, 15, 16, 17, 4096, 65535])
def test_c_seals_long_texts_and_long_associated_octets_as_python_does(octets: int) -> None:
    """Frames are never that long, but the lengths are whole; 65279 associated octets are the most that C takes."""
    cipher, text = CCipher(library()), bytes(octets)
    for associated in (bytes(min(octets, 65279)), b""):
        sealed = seal(KEY, NONCE, text, associated, 8)
        assert cipher.seal(KEY.octets, NONCE, text, associated, 8) == sealed
        assert cipher.open(KEY.octets, NONCE, sealed, associated, 8) == text


@pytest.mark.parametrize("tag", [-1, 0, 1, 2, 3, 5, 7, 9, 11, 13, 15, 17, 256])
def test_a_tag_that_ccm_does_not_have_is_refused(tag: int) -> None:
    for call in (seal, open_):
        with pytest.raises(
            SealError, match=rf"^a tag of {tag} octets is none that CCM has: 4, 6, 8, 10, 12, 14 or 16$"
        ):
            call(KEY, NONCE, bytes(40), b"", tag)


@pytest.mark.parametrize("octets", [0, 1, 6, 14, 16, 255])
def test_a_nonce_that_ccm_does_not_have_is_refused(octets: int) -> None:
    for call in (seal, open_):
        with pytest.raises(SealError, match=rf"^a nonce has 7 to 13 octets, not {octets}$"):
            call(KEY, bytes(octets), bytes(40), b"", 8)


@pytest.mark.parametrize(("nonce", "most"), [(13, 0xFFFF), (12, 0xFFFFFF)])
def test_a_text_too_long_for_its_nonce_is_refused_in_words(nonce: int, most: int) -> None:
    """The library itself answers with an internal error."""
    assert len(seal(KEY, bytes(nonce), bytes(most), b"", 4)) == most + 4
    with pytest.raises(
        SealError, match=rf"^a text of {most + 1} octets is too long for a nonce of {nonce}: at most {most}$"
    ):
        seal(KEY, bytes(nonce), bytes(most + 1), b"", 4)
    with pytest.raises(SealError, match="too long"):
        open_(KEY, bytes(nonce), bytes(most + 5), b"", 4)


@pytest.mark.parametrize("octets", range(8))
def test_what_is_shorter_than_a_tag_has_a_wrong_tag(octets: int) -> None:
    with pytest.raises(WrongTag):
        open_(KEY, NONCE, bytes(octets), b"", 8)


def test_a_wrong_tag_tells_nothing_and_carries_nothing() -> None:
    sealed = seal(KEY, NONCE, b"level 1234 mm", b"head", 8)
    with pytest.raises(WrongTag) as caught:
        open_(KEY, NONCE, sealed[:-1] + bytes([sealed[-1] ^ 1]), b"head", 8)
    error = caught.value
    assert str(error) == "the tag does not fit: forged, damaged, or another key"
    assert error.__cause__ is None
    assert error.__context__ is None
    assert not traces("".join(traceback.format_exception(error)), [KEY])
    assert str(pickle.loads(pickle.dumps(error))) == str(error)
    assert isinstance(error, UllageError)


def test_a_missing_library_is_said_in_one_sentence_with_the_command() -> None:
    code = (
        "import sys\nsys.modules['cryptography.hazmat.primitives.ciphers.aead'] = None\n"
        "from ullage.seal import Key, SealError\nfrom ullage.seal.ccm import open_, seal\n"
        "key = Key(bytes(range(40, 56)), 17)\nfor call in (seal, open_):\n"
        "    try:\n        call(key, bytes(13), bytes(40), b'', 8)\n"
        "    except SealError as error:\n        print(error)\n"
    )
    made = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    sentence = "sealed frames need the package cryptography; pip install 'ullage[seal]' gets it\n"
    assert (made.stdout, made.stderr) == (2 * sentence, "")


def test_windows_counters_and_keys_do_without_the_library() -> None:
    code = "import sys\nimport ullage.seal\nassert 'cryptography' not in sys.modules\n"
    made = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert made.returncode == 0, made.stderr


def test_no_error_of_the_layer_shows_the_key() -> None:
    for nonce, text, tag in ((bytes(3), b"", 8), (NONCE, b"", 3), (NONCE, bytes(70000), 8)):
        with pytest.raises(SealError) as caught:
            seal(KEY, nonce, text, b"", tag)
        shown = "".join(traceback.format_exception(caught.value))
        assert mask(shown, [KEY]) == shown
