"""Where the command line finds keys, and how it writes what holds some: for its owner alone, whole, never over a file.

One store is asked: the file of --keys, else the file that ULLAGE_KEYS names, else the variables ULLAGE_KEY_17 and
ULLAGE_KEY_GROUP. Whatever is wrong with a store is said without a word of what stands in it.
"""

import contextlib
import os
import re
import stat
import tempfile
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING

from .screen import Stop, command_line

if TYPE_CHECKING:
    from ullage import Protocol
    from ullage.seal.keys import Key

FILE_VARIABLE = "ULLAGE_KEYS"
KEY_VARIABLE = "ULLAGE_KEY_"

MODES_CHECKED = os.name == "posix"
"""Elsewhere a file's mode says nothing of who may read it, so it is not looked at."""

_OTHERS = stat.S_IRGRP | stat.S_IWGRP | stat.S_IROTH | stat.S_IWOTH
_MOST_OCTETS = 1 << 20
_LOOKS_LIKE_KEY = re.compile(r"(?:\d+ ?= ?)?[\"']?[0-9A-Fa-f]{32,}[\"']?")


def keys_of(protocol: "Protocol", option: Path | None) -> "Mapping[int | None, Key] | None":
    """The keys with which a command opens the frames of a protocol.

    option: the file of --keys, or None. Returns station -> key, None -> the group's; None where no store was given.
    Raises Stop for --keys with a protocol that has no sealed frames, for two stores at once and for a store that is
    not sound or that others can read.
    """
    if protocol.seal is None:
        if option is not None:
            raise Stop(f"--keys {option}: {protocol.name} has no sealed frames\n  help: leave it out")
        return None
    if option is not None:
        return keys_in(protocol, option)
    named = os.environ.get(FILE_VARIABLE)
    single = {
        name.removeprefix(KEY_VARIABLE): text for name, text in os.environ.items() if name.startswith(KEY_VARIABLE)
    }
    if named and single:
        text = f"both {FILE_VARIABLE} and variables that begin with {KEY_VARIABLE} are set"
        raise Stop(f"{text}\n  help: keep one of the two, or give --keys FILE")
    if named:
        return keys_in(protocol, Path(named))
    return _in_variables(protocol, single) if single else None


def keys_in(protocol: "Protocol", path: Path) -> "Mapping[int | None, Key]":
    """The keys of a key file. Raises Stop."""
    from ullage import SpecError
    from ullage.seal.keys import read_keys

    assert protocol.seal is not None
    octets = _read(path)
    try:
        return read_keys(octets, str(path), key_bits=protocol.seal.key_bits, highest_station=_highest(protocol))
    except SpecError as error:
        raise Stop(str(error)) from None


def _read(path: Path) -> bytes:
    """The octets of a file that only its owner can read; looked at before any of them is read."""
    if path.is_dir():
        raise Stop(f"{path}: this is a folder; give a key file")
    try:
        stream = path.open("rb")
    except FileNotFoundError:
        if _LOOKS_LIKE_KEY.fullmatch(str(path)):
            text = "--keys wants the name of a key file, not a key"
            raise Stop(f"{text}\n  help: others may have seen it on this command line; draw another") from None
        raise Stop(f"{path}: there is no such file\n  help: ullage key new makes one") from None
    with stream:
        mode = os.fstat(stream.fileno()).st_mode
        if MODES_CHECKED and stat.S_ISREG(mode) and mode & _OTHERS:
            text = f"{path}: others than its owner can read or change this key file (mode {stat.S_IMODE(mode):04o})"
            raise Stop(f"{text}\n  help: {command_line('chmod', '600', str(path))}; who has read it has the keys")
        octets = stream.read(_MOST_OCTETS + 1)
    if len(octets) > _MOST_OCTETS:
        raise Stop(f"{path}: more than {_MOST_OCTETS} octets; this is no key file")
    return octets


def _in_variables(protocol: "Protocol", entries: Mapping[str, str]) -> "Mapping[int | None, Key]":
    """The keys of ULLAGE_KEY_17 and the like. Raises Stop with the first fault."""
    from ullage.seal.keys import keys_of_entries

    assert protocol.seal is not None
    named = {"group" if name == "GROUP" else name: text for name, text in sorted(entries.items())}
    found, faults = keys_of_entries(named, protocol.seal.key_bits, _highest(protocol))
    for name, fault in faults.items():
        if fault.code == "bad_station" and not name.isdecimal():
            # The name itself may be a key in the wrong place.
            text = f"a variable {KEY_VARIABLE}... is named neither after a station nor after the group"
            raise Stop(f"{text}\n  help: {KEY_VARIABLE}17 for station 17, {KEY_VARIABLE}GROUP")
        help_text = f"\n  help: {fault.help}" if fault.help else ""
        raise Stop(f"{KEY_VARIABLE}{name.upper()}: {fault.text}{help_text}")
    return found


def _highest(protocol: "Protocol") -> int:
    """The highest station that the address fields hold."""
    from ullage.layout import header_slot

    slots = [slot for kind in ("source", "destination") if (slot := header_slot(protocol.frames, kind))]
    return max((1 << slot.bits for slot in slots), default=1) - 1


def owner(station: int | None) -> str:
    """Whose key it is, in words."""
    return "the group" if station is None else f"station {station}"


AGAIN = "another name; remove the old file only when no node uses its keys any more"


def write_secret(path: Path, text: str, otherwise: str = AGAIN) -> None:
    """Write a file that only its owner can read, from the first octet on; whole or not at all, and never over another.

    Raises Stop where something of this name is there already, or there is no such folder.
    """
    if path.exists() or path.is_symlink():
        raise _taken(path, otherwise)
    try:
        # Made with mode 0600, whatever the mask.
        handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")
    except FileNotFoundError:
        raise Stop(f"{path.parent}: there is no such folder") from None
    try:
        with os.fdopen(handle, "wb") as out:
            out.write(text.encode())
            out.flush()
            os.fsync(out.fileno())
        _name(Path(name), path, otherwise)
    finally:
        Path(name).unlink(missing_ok=True)


def _name(whole: Path, path: Path, otherwise: str) -> None:
    """Give a whole file its name, if nothing has it: a link fails where a renaming would write over."""
    try:
        path.hardlink_to(whole)
    except FileExistsError:
        raise _taken(path, otherwise) from None
    except OSError:
        # A file system without links: made empty first, so that its name is ours, then filled.
        try:
            handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        except FileExistsError:
            raise _taken(path, otherwise) from None
        os.close(handle)
        whole.replace(path)


def _taken(path: Path, otherwise: str) -> Stop:
    return Stop(f"{path}: this file is there already, and is never written over\n  help: {otherwise}")


@contextlib.contextmanager
def held(path: Path) -> Iterator[int]:
    """Open a file for reading and writing, and hold it against every other run of ours that wants it.

    Gives the file's handle. Raises Stop when another run holds it.
    """
    handle = os.open(path, os.O_RDWR | getattr(os, "O_BINARY", 0))
    try:
        if not _locked(handle):
            raise Stop(f"{path}: another run is using this file\n  help: one at a time")
        yield handle
    finally:
        os.close(handle)


def _locked(handle: int) -> bool:
    try:
        if os.name == "posix":
            import fcntl

            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        else:
            import msvcrt

            msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)  # type: ignore[attr-defined,unused-ignore]
    except OSError:
        return False
    return True
