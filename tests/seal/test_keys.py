"""Keys never show what they are, and a faulty key file is told of without a word of what stands in it."""

import copy
import json
import pickle
import traceback
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ullage import SpecError
from ullage.seal import Key, SealError, read_keys, traces

OCTETS = bytes.fromhex("5bd0f3a2914c6e870d1ab95f66c23e78")
KEY = Key(OCTETS, 17)
OTHER = "c98a10f7e2d4364b5ba87f01936ced22"
GOOD = f'[keys]\n17 = "{OCTETS.hex()}"\ngroup = "{OTHER}"\n'


def test_a_key_says_whose_it_is_and_how_long() -> None:
    assert repr(KEY) == str(KEY) == f"{KEY}" == "<key of station 17, 128 bits>"
    assert repr(Key(bytes(32), None)) == "<key of the group, 256 bits>"


@pytest.mark.parametrize("show", [repr, str, "{}".format, "%s".__mod__, ascii, lambda key: repr([key, {"key": key}])])
def test_no_way_of_printing_shows_the_octets(show: Any) -> None:
    assert not traces(show(KEY), [KEY])


@pytest.mark.parametrize("protocol", range(pickle.HIGHEST_PROTOCOL + 1))
def test_a_key_is_never_pickled(protocol: int) -> None:
    with pytest.raises(TypeError, match="a key is never pickled") as caught:
        pickle.dumps({"key": KEY}, protocol)
    assert not traces("".join(traceback.format_exception(caught.value)), [KEY])
    with pytest.raises(TypeError, match="a key is never pickled"):
        KEY.__getstate__()


def test_a_key_is_no_json_and_has_no_attributes_to_list() -> None:
    with pytest.raises(TypeError, match="not JSON serializable"):
        json.dumps(KEY)
    with pytest.raises(TypeError):
        vars(KEY)


def test_a_copy_is_the_key_itself() -> None:
    assert copy.copy(KEY) is KEY
    assert copy.deepcopy([KEY])[0] is KEY


def test_a_key_cannot_be_changed() -> None:
    with pytest.raises(AttributeError, match="cannot be changed"):
        KEY._octets = bytes(16)
    with pytest.raises(AttributeError, match="cannot be changed"):
        del KEY._station


def test_keys_are_equal_by_owner_and_octets() -> None:
    assert Key(OCTETS, 17) == KEY
    assert Key(OCTETS, 18) != KEY
    assert Key(bytes(16), 17) != KEY
    assert KEY != OCTETS
    assert len({KEY, Key(OCTETS, 17)}) == 1
    assert hash(KEY) == hash(Key(bytes(16), 17)), "a hash of the octets would be a way to guess them"


@pytest.mark.parametrize("octets", [0, 1, 15, 17, 23, 25, 31, 33])
def test_a_key_of_another_length_is_refused_without_its_octets(octets: int) -> None:
    with pytest.raises(SealError, match=rf"^a key has 16, 24 or 32 octets, not {octets}$"):
        Key(OCTETS[:1] * octets, 17)


def test_a_key_file_gives_keys_by_station() -> None:
    keys = read_keys(GOOD, "keys.toml")
    assert dict(keys) == {17: KEY, None: Key(bytes.fromhex(OTHER), None)}
    assert dict(
        read_keys(b"\xef\xbb\xbf" + GOOD.upper().replace("KEYS", "keys").replace("GROUP", "group").encode(), "k")
    )


@pytest.mark.parametrize("bits", [128, 192, 256])
def test_keys_are_as_long_as_the_spec_says(bits: int) -> None:
    digits = (OCTETS.hex() * 2)[: bits // 4]
    assert read_keys(f'[keys]\n17 = "{digits}"', "keys.toml", key_bits=bits)[17].bits == bits


COUNTS = "keys.toml:2:6: this key counts or repeats, so anybody finds it"
FAULTS = {
    f'[keys]\n17 = "{OTHER}\n': "keys.toml:2:39: this is no TOML",
    f"[keys]\n17 = {OTHER}\n": "keys.toml:2:6: this is no TOML",
    f'[keys]\n17 = "{OTHER}"\n17 = "{OCTETS.hex()}"': "keys.toml:3:1: an entry stands here a second time",
    f'[keys]\n17 = "{OTHER}"\n18 = "{OTHER}"': "keys.toml:3:6: this key is also that of station 17",
    f'[keys]\ngroup = "{OTHER}"\n18 = "{OTHER.upper()}"': "keys.toml:3:6: this key is also that of the group",
    f'[keys]\n17 = "{OTHER[:-1]}"': "keys.toml:2:6: a key of 128 bits has 32 hex digits, and this one has 31",
    f'[keys]\n17 = "{OTHER}00"': "keys.toml:2:6: a key of 128 bits has 32 hex digits, and this one has 34",
    f'[keys]\n17 = "{OTHER[:4]}g{OTHER[5:]}"': (
        "keys.toml:2:6: a key is made of hex digits only, and character 5 of this one is none"
    ),
    f'[keys]\n17 = "{OTHER[:4]} {OTHER[4:]}"': (
        "keys.toml:2:6: a key is made of hex digits only, and character 5 of this one is none"
    ),
    "[keys]\n17 = 12345678901234567890": "keys.toml:2:6: a key is a text of hex digits in quotes",
    f'[keys]\n256 = "{OTHER}"': "keys.toml:2:7: station 256 is outside 0..255",
    f'[keys]\n017 = "{OTHER}"': "keys.toml:2:7: the name of this entry is neither a station number nor group",
    f'[keys]\n-1 = "{OTHER}"': "keys.toml:2:6: the name of this entry is neither a station number nor group",
    f'[keys]\n{OTHER} = "17"': "keys.toml:2:36: the name of this entry is neither a station number nor group",
    f'17 = "{OTHER}"\n[keys]\n18 = "{OTHER}"': "keys.toml:1:1: only the table [keys] belongs in a key file",
    f'[{OTHER}]\n[keys]\n18 = "{OTHER}"': "keys.toml:1:2: only the table [keys] belongs in a key file",
    "": "keys.toml: the table [keys] is missing",
    f'keys = "{OTHER}"': "keys.toml: the table [keys] is missing",
    "[keys]\n": "keys.toml:1:1: the table [keys] is empty",
    f'[keys]\n17 = "{bytes(16).hex()}"': COUNTS,
    f'[keys]\n17 = "{"ff" * 16}"': COUNTS,
    f'[keys]\n17 = "{bytes(range(16)).hex()}"': COUNTS,
    f'[keys]\n17 = "{bytes(range(0xC0, 0xD0)).hex()}"': COUNTS,
    f'[keys]\n17 = "{bytes(range(255, 239, -1)).hex()}"': (COUNTS),
    '[keys]\n17 = "2B7E151628AED2A6ABF7158809CF4F3C"': (
        "keys.toml:2:6: this key is printed in a standard, so everybody has it"
    ),
    '[keys]\n17 = "d7828d13b2b0bdc325a76236df93cc6b"': (
        "keys.toml:2:6: this key is printed in a standard, so everybody has it"
    ),
}


@pytest.mark.parametrize(("text", "first"), FAULTS.items(), ids=range(len(FAULTS)))
def test_a_fault_names_its_place_and_never_the_key(text: str, first: str) -> None:
    with pytest.raises(SpecError) as caught:
        read_keys(text, "keys.toml")
    error = caught.value
    assert str(error).splitlines()[0] == first
    assert all(fault.help for fault in error.faults)
    told = "".join(traceback.format_exception(error)) + repr(error.faults) + repr(vars(error))
    assert not traces(told, [KEY, Key(bytes.fromhex(OTHER), 17)])
    assert (error.text, error.__cause__, error.__context__) == (None, None, None)


def test_all_faults_are_told_at_once() -> None:
    with pytest.raises(SpecError) as caught:
        read_keys(f'[keys]\n300 = "{OTHER}"\n17 = "00"\n18 = 5\n', "keys.toml")
    assert [fault.line for fault in caught.value.faults] == [2, 3, 4]


def test_octets_that_are_no_utf_8_are_told_without_them() -> None:
    with pytest.raises(SpecError, match=r"^keys\.toml: this key file is no UTF-8\n  help: save it as UTF-8$"):
        read_keys(b"[keys]\n17 = " + OCTETS, "keys.toml")


PIECES = st.sampled_from(
    ["[keys]", "\n", " = ", "17", '"', OTHER, OCTETS.hex(), "group", "{", "}", "[[", "#", "\\", "'"]
)


@settings(deadline=None, max_examples=60)
@given(st.one_of(st.lists(PIECES, max_size=12).map("".join), st.text(max_size=40)))
def test_whatever_a_key_file_holds_ends_in_keys_or_in_faults_that_show_none(text: str) -> None:
    try:
        keys = read_keys(text, "keys.toml")
    except SpecError as error:
        told = str(error) + repr(error.faults)
        assert not traces(told, [KEY, Key(bytes.fromhex(OTHER), 17)])
    else:
        assert keys
