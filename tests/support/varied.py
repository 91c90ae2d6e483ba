"""A protocol whose frames vary: lists, groups, a list in a group, counted octets, numbers with the low octet first."""

from __future__ import annotations

HISTORY = """
[protocol]
name = "terrace"
revision = 2
[header]
field = [
  { name = "message",  kind = "message", bits = 8 },
  { name = "source",   kind = "source", bits = 8 },
  { name = "sequence", kind = "sequence", bits = 16, octet_order = "low_first" },
]
[[frame]]
name = "history"
message = 1
interval = "10 min"
summary = "The last levels of a cistern"
field = [
  { name = "number",    kind = "count", bits = 5 },
  { name = "has_extra", kind = "flag" },
  { name = "lid",       kind = "code", codes = { shut = 0, open = 1 } },
  { name = "readings",  kind = "list", counted_by = "number", at_most = 4, field = [
    { name = "level", kind = "measure", unit = "mm", range = [0, 2500], step = 1, special = ["no_echo"] },
    { name = "ok",    kind = "flag" },
  ] },
  { name = "extra", kind = "group", when = "has_extra", field = [
    { name = "t",    kind = "measure", unit = "Cel", range = [-20, 60], step = 0.5, clamp = true },
    { name = "cal",  kind = "binary32", unit = "V" },
    { name = "n",    kind = "count", range = [1, 3] },
    { name = "runs", kind = "list", counted_by = "n", at_most = 3, field = [
      { name = "secs", kind = "count", bits = 7 },
    ] },
  ] },
  { name = "last", kind = "count", bits = 3 },
]
[[frame]]
name = "flow"
message = 2
field = [
  { name = "much",  kind = "measure", unit = "l", range = [0, 65535], step = 1, octet_order = "low_first" },
  { name = "ratio", kind = "binary32", unit = "" },
]
[[frame]]
name = "words"
message = 3
field = [
  { name = "total", kind = "count", range = [0, 6] },
  { name = "words", kind = "list", counted_by = "total", counts = "octets", at_most = 3, field = [
    { name = "w", kind = "count", bits = 16 },
  ] },
]
"""

SUM = "[integrity]\nsum = { bits = 8, start = 3, invert = true }\n"
CRC = '[integrity]\ncrc = "CRC-16/MODBUS"\n'
RADIO = '[radio]\nmodulation = "lora"\nspreading_factor = 9\nbandwidth_khz = 125\ncoding_rate = "4/5"\n'

UART = """
[protocol]
name = "head"
[[frame]]
name = "echo"
field = [
  { name = "mark",   kind = "constant", bits = 8, value = 0xFF },
  { name = "size",   kind = "length", bits = 8, covers = "rest" },
  { name = "bits",   kind = "count", bits = 8 },
  { name = "blocks", kind = "list", counted_by = "bits", at_most = 9, field = [
    { name = "away", kind = "measure", unit = "mm", range = [0, 5000], step = 1, bits = 16, special = ["lost"] },
  ] },
]
[integrity]
sum = { bits = 16 }
octet_order = "low_first"
"""
"""A length that follows from the list; the layout is invented."""

VALUES = {
    "source": 17,
    "sequence": 9,
    "lid": "open",
    "readings": ({"level": 1233, "ok": True}, {"level": "no_echo", "ok": False}),
    "extra": {"t": 21.5, "cal": 3.5, "runs": ({"secs": 5},)},
    "last": 6,
}
"""A message of the history frame."""
