"""A spec inside a data sheet: the page that `ullage sheet` writes carries its spec octet for octet, in base64.

Every command takes such a page in the place of the spec. Nothing but the one element is read.
"""

import base64
import binascii
import re
from dataclasses import dataclass

from ..errors import Fault, SpecError

_PAGE = re.compile(rb"(?:\xef\xbb\xbf)?\s*<!doctype html", re.IGNORECASE)
_ELEMENT = re.compile(
    rb'<script type="application/toml" id="spec" data-name="([^"<>]*)">\s*([A-Za-z0-9+/=\s]*?)\s*</script>'
)


@dataclass(frozen=True)
class Carried:
    """A spec that a page carries. name: the spec file's name when the page was written; text: its octets."""

    name: str
    text: bytes


def is_page(octets: bytes) -> bool:
    """Whether a file is an HTML page, and so no spec of its own."""
    return _PAGE.match(octets) is not None


def carried(octets: bytes) -> Carried | None:
    """The spec that a page carries, or None where it carries none, or one that is damaged.

    octets: the whole file.
    """
    found = _ELEMENT.search(octets)
    if found is None or not is_page(octets):
        return None
    try:
        text = base64.b64decode(b"".join(found[2].split()), validate=True)
        return Carried(found[1].decode(), text)
    except (binascii.Error, UnicodeDecodeError):
        return None


def element(name: str, text: bytes) -> str:
    """The element that carries a spec. name: the spec file's name; text: its octets."""
    safe = re.sub(r"[^\w.+ -]", "_", name)
    lines = base64.encodebytes(text).decode("ascii")
    return f'<script type="application/toml" id="spec" data-name="{safe}">\n{lines}</script>'


def spec_of(octets: bytes, source: str) -> tuple[bytes, str]:
    """The spec in a file, which may be the spec itself or a page that carries one, and what errors call it.

    octets: the file. source: its name. Raises SpecError for a page without a spec.
    """
    if not is_page(octets):
        return octets, source
    spec = carried(octets)
    if spec is None:
        fault = Fault("no_spec", (), "", "this page carries no spec", "the .toml, or a page that ullage sheet wrote")
        raise SpecError([fault], source)
    return spec.text, f"{source}#{spec.name}"
