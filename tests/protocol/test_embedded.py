"""A page carries its spec octet for octet, and is taken in the place of the spec."""

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

import ullage
from ullage.spec.embedded import carried, element, is_page, spec_of

SPEC = Path(__file__).parents[2] / "spec" / "orchard.toml"


def page(name: str, text: bytes) -> bytes:
    return f"<!DOCTYPE html>\n<html><body>\n{element(name, text)}\n</body></html>\n".encode()


@given(st.binary(max_size=400))
def test_any_octets_come_back(text: bytes) -> None:
    spec = carried(page("any.toml", text))
    assert spec is not None
    assert (spec.name, spec.text) == ("any.toml", text)


@pytest.mark.parametrize("begin", [b"<!DOCTYPE html>", b"\xef\xbb\xbf<!doctype html>", b"\r\n <!Doctype HTML>"])
def test_a_page_is_known_by_its_first_words(begin: bytes) -> None:
    assert is_page(begin)


@pytest.mark.parametrize("begin", [b"", b"[protocol]", b"# <!doctype html>", b"<html>"])
def test_a_spec_is_no_page(begin: bytes) -> None:
    assert not is_page(begin)
    assert carried(begin + element("a.toml", b"x").encode()) is None
    assert spec_of(begin, "a.toml") == (begin, "a.toml")


def test_load_takes_the_page(tmp_path: Path) -> None:
    path = tmp_path / "orchard.html"
    path.write_bytes(page("orchard.toml", SPEC.read_bytes()))
    assert ullage.load(path).fingerprint == ullage.load(SPEC).fingerprint


def test_line_ends_of_a_page_may_change_on_the_way(tmp_path: Path) -> None:
    """Mail and version control turn line ends; base64 does not mind, so the spec's own line ends stay."""
    path = tmp_path / "orchard.html"
    path.write_bytes(page("orchard.toml", SPEC.read_bytes()).replace(b"\n", b"\r\n"))
    assert spec_of(path.read_bytes(), "x")[0] == SPEC.read_bytes()


def test_faults_keep_their_places_in_the_spec(tmp_path: Path) -> None:
    text = SPEC.read_bytes().replace(b"step = 0.01", b"step = 0.013")
    line = text[: text.index(b"0.013")].count(b"\n") + 1
    path = tmp_path / "orchard.html"
    path.write_bytes(page("orchard.toml", text))
    with pytest.raises(ullage.SpecError) as caught:
        ullage.load(path)
    assert str(caught.value).startswith(f"{path}#orchard.toml:{line}:")


@pytest.mark.parametrize(
    "inside", ["", '<script type="application/toml" id="spec" data-name="a.toml">\n=AAA\n</script>']
)
def test_a_page_without_a_sound_spec_is_one_fault(inside: str, tmp_path: Path) -> None:
    path = tmp_path / "page.html"
    path.write_text(f"<!doctype html><title>x</title>{inside}")
    with pytest.raises(ullage.SpecError) as caught:
        ullage.load(path)
    assert [fault.code for fault in caught.value.faults] == ["no_spec"]
    assert "this page carries no spec" in str(caught.value)


def test_a_file_name_cannot_leave_the_element() -> None:
    spec = carried(page('"><script>x</script>.toml', b"a"))
    assert spec is not None
    assert spec.text == b"a"
    assert not set('"<>') & set(spec.name)
