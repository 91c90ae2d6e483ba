"""Specs with sealed frames: the orchard's cisterns in short, and what may be otherwise about a seal."""

from __future__ import annotations

from pathlib import Path

ORCHARD = """
[protocol]
name = "garden"
[header]
field = [
  { name = "message",     kind = "message",     bits = 8 },
  { name = "destination", kind = "destination", bits = 8, broadcast = 255 },
  { name = "source",      kind = "source",      bits = 8 },
  { name = "sequence",    kind = "sequence",    SEQUENCE },
]
[[frame]]
name = "report"
message = 1
FROM
field = [
  { name = "sensor",   kind = "sensor",  bits = 3 },
  { name = "distance", kind = "measure", unit = "mm", range = [250, 6000], step = 1, special = ["no_echo"] },
  { name = "battery",  kind = "measure", unit = "V", range = [2.00, 4.50], step = 0.01, clamp = true },
]
[[frame]]
name = "lid"
message = 2
field = [ { name = "lid_open", kind = "flag" }, { name = "spare", kind = "spare", bits = 7 } ]
[[frame]]
name = "order"
message = 3
field = [
  { name = "valve",   kind = "code", codes = { shut = 0, half = 1, open = 2 } },
  { name = "spare",   kind = "spare", bits = 2 },
  { name = "expires", kind = "measure", unit = "s", range = [10, 2560], step = 10 },
]
[seal]
frames = ["report", "order"]
network = 0x4F52
hub = 1
interval = "1 h"
service_life = "30 days"
restarts = 1
reserve = 1
"""

HISTORY = """
[protocol]
name = "terrace"
revision = 2
[header]
field = [
  { name = "revision",    kind = "revision",    bits = 3 },
  { name = "message",     kind = "message",     bits = 5 },
  { name = "octets",      kind = "length",      bits = 8, covers = "rest" },
  { name = "destination", kind = "destination", bits = 16, broadcast = 65535, octet_order = "low_first" },
  { name = "source",      kind = "source",      bits = 16, octet_order = "low_first" },
  { name = "sequence",    kind = "sequence",    bits = 16, counter_bits = 40, octet_order = "low_first" },
]
[[frame]]
name = "history"
message = 1
field = [
  { name = "number",   kind = "count", bits = 5 },
  { name = "has_more", kind = "flag" },
  { name = "lid",      kind = "code", codes = { shut = 0, open = 1 } },
  { name = "readings", kind = "list", counted_by = "number", at_most = 4, field = [
    { name = "level", kind = "measure", unit = "mm", range = [0, 2500], step = 1, special = ["no_echo"] },
    { name = "ok",    kind = "flag" },
  ] },
  { name = "more", kind = "group", when = "has_more", field = [ { name = "t", kind = "count", range = [0, 100] } ] },
]
[[frame]]
name = "hello"
message = 2
field = []
[seal]
frames = ["history", "hello"]
network = 9
network_octets = 1
nonce = ["destination", "source", "sequence"]
hub = 1
tag_octets = 6
interval = "1 h"
service_life = "1 years"
"""

CRC = '[integrity]\ncrc = "CRC-16/IBM-3740"\n'
SUM = "[integrity]\nsum = { bits = 8, start = 3, invert = true }\n"
LATE = '[integrity]\ncrc = "CRC-16/KERMIT"\n'


def orchard(sequence: str = "bits = 16, counter_bits = 32", begin: str = "", seal: str = "", check: str = CRC) -> str:
    """The orchard's spec. sequence: of that field. begin: a line of the report. seal: further lines of `[seal]`."""
    return ORCHARD.replace("SEQUENCE", sequence).replace("FROM", begin) + seal + check


SEALED: dict[str, str] = {
    "orchard": orchard(),
    "nothing encrypted": orchard(seal='encrypt = "nothing"\n'),
    "encrypted from a field": orchard(begin='encrypt_from = "battery"'),
    "no check": orchard(check=""),
    "a sum": orchard(check=SUM),
    "tag of 4": orchard(seal="tag_octets = 4\n", check=LATE),
    "tag of 16": orchard(seal="tag_octets = 16\n"),
    "the whole counter travels": orchard("bits = 64"),
    "64 bits, 8 travel": orchard("bits = 8, counter_bits = 64", seal="resync = 3\n"),
    "4 low bits": orchard("bits = 4, counter_bits = 20").replace('"message",     bits = 8', '"message",     bits = 4'),
    "a group's key": orchard(seal="group_key = true\n"),
    "a key of 256 bits": orchard(seal="key_bits = 256\n"),
    "lists": HISTORY + CRC,
    "lists without a check": HISTORY,
}
"""What it is about -> a spec; the shipped ones with sealed frames are among them."""
for path in sorted((Path(__file__).parents[2] / "spec").rglob("*.toml")):
    text = path.read_text(encoding="utf-8")
    if "\n[seal]" in text:
        SEALED[path.stem] = text
