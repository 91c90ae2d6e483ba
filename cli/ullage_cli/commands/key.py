"""`ullage key`: make the keys of sealed frames, the private C header of a node, and counters for the shell.

Nothing that it prints holds an octet of a key; what holds some is a file for its owner alone.
"""

import re
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from ..screen import Stop, command_line, load_spec, say

if TYPE_CHECKING:
    from ullage import Protocol
    from ullage.layout import Seal
    from ullage.seal.keys import Key

_STATION = re.compile(r"0|[1-9][0-9]{0,18}")
_BITS = (128, 192, 256)

app = typer.Typer(no_args_is_help=True, rich_markup_mode=None)

Spec = Annotated[str, typer.Argument(metavar="SPEC", help="The spec file.", show_default=False)]


@app.callback()
def key() -> None:
    """Make keys of sealed frames, and what else sealing needs beside the spec. Never into version control.

    A command that opens or seals looks for keys in the file of --keys, else in the file that ULLAGE_KEYS names, else
    in the variables ULLAGE_KEY_17 (for station 17) and ULLAGE_KEY_GROUP. A key file must be readable by its owner alone
    (not checked on Windows).
    """


@app.command("new", epilog="Example: ullage key new 17 18 19 -o keys.toml")
def new(
    stations: Annotated[
        list[str], typer.Argument(metavar="STATION", help="Whose keys: station numbers, without the hub's.")
    ],
    out: Annotated[Path, typer.Option("-o", "--out", metavar="FILE", help="The key file; never written over.")],
    group: Annotated[bool, typer.Option("--group", help="Also a key that all share, for frames to everybody.")] = False,
    bits: Annotated[int, typer.Option(metavar="BITS", help="128, 192 or 256, as the spec says.")] = 128,
) -> None:
    """Draw a fresh key for each station and write them to a key file, readable by its owner alone.

    The hub keeps the whole file; a node gets its own key alone: ullage key header.
    """
    from ..keys import MODES_CHECKED, write_secret

    if bits not in _BITS:
        raise Stop(f"--bits {bits}: AES has keys of 128, 192 or 256 bits")
    numbers = [_station(word) for word in stations]
    if twice := [number for place, number in enumerate(numbers) if number in numbers[:place]]:
        raise Stop(f"station {twice[0]} is named twice\n  help: one key for each")
    write_secret(out, _key_file(numbers, group, bits))
    keys = f"{len(numbers)} key{'' if len(numbers) == 1 else 's'} of {bits} bits"
    shared = " and one for the group" if group else ""
    readable = "readable by you alone" if MODES_CHECKED else "see to it that you alone can read it"
    say(f"{out}: {keys}{shared}, {readable}; never into version control")
    say(f"next  {command_line('ullage', 'key', 'header', 'SPEC', str(numbers[0]), '--keys', str(out), '-o', 'FILE.h')}")


def _station(word: str) -> int:
    if not _STATION.fullmatch(word):
        # Without the word: it may be a key in the wrong place.
        raise Stop("a station is a whole number, without sign or leading zeros\n  help: such as 17")
    return int(word)


def _key_file(stations: Sequence[int], group: bool, bits: int) -> str:
    """The text of a key file, read again before it is given: no drawn key may be one that a reader refuses."""
    import secrets

    from ullage.seal.keys import read_keys

    names = [*map(str, stations), *(["group"] if group else [])]
    width = max(map(len, names))
    text = "\n".join(
        [
            "# SECRET: the keys of sealed frames. Whoever has this file can read and forge every one of them.",
            "# Keep it on the hub, readable by its owner alone, with a copy in a safe place; never in version control.",
            f"# One line a station, AES with {bits} bits in hex. A station whose counter is lost gets a fresh key.",
            "",
            "[keys]",
            *(f'{name:<{width}} = "{secrets.token_hex(bits // 8)}"' for name in names),
            "",
        ]
    )
    read_keys(text, "the new keys", key_bits=bits, highest_station=max(stations))
    return text


@app.command("header", epilog="Example: ullage key header SPEC 17 --keys keys.toml -o node/key_17.h")
def header(
    spec: Spec,
    station: Annotated[str, typer.Argument(metavar="STATION", help="Whose key; the key of the node that it is for.")],
    out: Annotated[Path, typer.Option("-o", "--out", metavar="FILE", help="The header; never written over.")],
    keys: Annotated[
        Path | None, typer.Option(metavar="FILE", help="The key file; else as ullage key --help says.")
    ] = None,
    group: Annotated[bool, typer.Option("--group", help="Also the key that all share.")] = False,
) -> None:
    """Write the private C header of one node: its key, apart from the protocol's header, for its owner alone."""
    from ullage_codegen.c.key_header import key_header

    from ..keys import keys_of, write_secret

    number = _station(station)
    protocol = load_spec(spec)
    _seal(spec, protocol)
    known = keys_of(protocol, keys)
    if known is None:
        raise Stop("no keys are given\n  help: --keys FILE; ullage key new makes one")
    wanted = [_of(known, number), *([_of(known, None)] if group else [])]
    write_secret(out, key_header(protocol, wanted), "remove it and write it again; the key stays the same")
    say(f"{out}: private, for station {number} alone; never into version control")


def _seal(spec: str, protocol: "Protocol") -> "Seal":
    if protocol.seal is None:
        raise Stop(f"{spec}: {protocol.name} has no sealed frames, so it needs no keys")
    return protocol.seal


def _of(keys: "Mapping[int | None, Key]", station: int | None) -> "Key":
    from ..keys import owner

    found = keys.get(station)
    if found is None:
        there = ", ".join(owner(one) for one in keys)
        raise Stop(f"there is no key of {owner(station)}\n  help: there are those of {there}")
    return found


@app.command("counter", epilog="Example: ullage key counter SPEC 1 -o counter_1.txt")
def counter(
    spec: Spec,
    station: Annotated[str, typer.Argument(metavar="STATION", help="Who seals with it, mostly the hub.")],
    out: Annotated[Path, typer.Option("-o", "--out", metavar="FILE", help="The counter file; never written over.")],
    first: Annotated[
        int, typer.Option(metavar="N", min=0, help="The first number; past all that were used with these keys.")
    ] = 0,
) -> None:
    """Write the counter file with which ullage encode seals frames of one station.

    A station has one counter for the whole life of its keys. Never make a second one for it, copy it, or take it from a
    backup: two frames with one number give away what both hold, and let others forge.
    """
    from ..counter_file import new_counter

    number = _station(station)
    seal = _seal(spec, load_spec(spec))
    last = (1 << seal.counter_bits) - 1
    if first >= last:
        raise Stop(f"--first {first}: a counter of {seal.counter_bits} bits hands out 0..{last - 1}")
    new_counter(out, number, seal.counter_bits, first)
    say(f"{out}: the counter of station {number}, from {first} on; never copy it or take it from a backup")
