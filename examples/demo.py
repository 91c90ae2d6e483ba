"""The whole job on one page: a spec, both ends from it, their agreement, a receiver's log, orders that nobody forges.

Run `make demo`. It needs a C compiler (CC, or cc, gcc, clang) and cryptography; it writes only into a temporary folder.
"""

import importlib.util
import json
import os
import random
import shutil
import statistics
import subprocess
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import ullage
from ullage.airtime import LoRa
from ullage.seal import BlockCounter, Key, provision, read_keys

HERE = Path(__file__).parent
SPEC = HERE.parent / "spec" / "orchard.toml"
SEALED = HERE.parent / "spec" / "orchard_sealed.toml"
FRAMES = 400
SEED = 7


def main() -> int:
    """Run every part; returns 0 when all that must agree agrees."""
    compiler = os.environ.get("CC") or next(filter(shutil.which, ("cc", "gcc", "clang")), None)
    if compiler is None:
        print("The demo compiles the C end and found no C compiler; install one, or name it in CC.", file=sys.stderr)
        return 2
    if importlib.util.find_spec("cryptography") is None:
        print("The demo seals orders and found no cryptography: pip install 'ullage[seal]'", file=sys.stderr)
        return 2
    protocol = ullage.load(SPEC)
    with tempfile.TemporaryDirectory(prefix="ullage-demo-") as name:
        folder = Path(name)
        print(f"{protocol.name}: {protocol.summary}\n")
        build(folder, compiler)
        sent, texts = c_sends(folder, protocol)
        right = c_receives(folder, protocol)
        told = reads_a_log(folder)
        safe = refuses_forged_orders(folder, protocol)
        compares_with_text(protocol, sent, texts)
    return 0 if right and told and safe else 1


def build(folder: Path, compiler: str) -> None:
    """Emit the header and compile both programs with it."""
    ullage_command("emit", "c", str(SPEC), "-o", str(folder))
    lines = len((folder / "orchard.h").read_text(encoding="ascii").splitlines())
    for program in ("orchard_node", "orchard_pump_house"):
        command = [compiler, "-std=c99", "-Wall", "-Wextra", "-Werror", "-O1", f"-I{folder}"]
        subprocess.run([*command, str(HERE / f"{program}.c"), "-o", str(folder / program)], check=True)
    print(f"spec/orchard.toml -> orchard.h, {lines} lines; node and pump house compiled with {Path(compiler).name}\n")


def c_sends(folder: Path, protocol: ullage.Protocol) -> tuple[list[bytes], list[str]]:
    """The compiled node makes frames; Python must read from each what the node says it measured."""
    output = subprocess.run(
        [str(folder / "orchard_node"), str(FRAMES)], capture_output=True, text=True, check=True
    ).stdout
    frames, texts = [], []
    for line in output.splitlines():
        octets, text = line.split(" ", 1)
        frames.append(bytes.fromhex(octets))
        texts.append(text)
        said = text.split(",")
        values = protocol.decode(frames[-1]).values
        distance = {"-32768": "no_echo", "-32767": "too_close"}.get(said[4], said[4])
        read = [str(values[name]) for name in ("destination", "source", "sequence", "sensor", "distance")]
        if read != [*said[:4], distance] or values["battery"] != float(said[5]):
            raise SystemExit(f"The node said {text}, Python read {values}")
    print(f"C sends, Python reads     {len(frames)} level reports: all as the node measured them")
    print(f"  {texts[0]:<28} {frames[0].hex(' ')}")
    return frames, texts


def c_receives(folder: Path, protocol: ullage.Protocol) -> bool:
    """Python makes frames of every kind and damages some; the compiled receiver must say of each what Python says."""
    rng = random.Random(SEED)
    frames = [random_frame(protocol, rng) for _ in range(FRAMES)]
    text = "".join(octets.hex() + "\n" for octets in frames)
    program = [str(folder / "orchard_pump_house")]
    answers = subprocess.run(program, input=text, capture_output=True, text=True, check=True).stdout.splitlines()
    wanted = [python_answer(protocol, octets) for octets in frames]
    refused = sum(answer.startswith("refused") for answer in wanted)
    right = answers == wanted
    print(
        f"Python sends, C reads     {len(frames)} frames of four kinds, {refused} of them damaged and refused by both:"
    )
    print(f"  {'the same values and the same reasons' if right else 'THEY DISAGREE'}\n")
    return right


def random_frame(protocol: ullage.Protocol, rng: random.Random) -> bytes:
    """A sound frame, or now and then a damaged one."""
    address = {"source": rng.randint(17, 21), "destination": 1, "sequence": rng.randrange(65_536)}
    battery = rng.uniform(1.8, 4.6)
    temperature, panel = rng.uniform(-50, 90), rng.uniform(0, 8)
    bodies: dict[str, dict[str, Any]] = {
        "level_report": {"sensor": rng.randrange(8), "distance": rng.randint(250, 6000), "battery": battery},
        "status_report": {
            "uptime": rng.randrange(10**9),
            "starts": rng.randrange(256),
            "start_cause": rng.choice(["power", "watchdog", "brownout", "update"]),
            "temperature": temperature,
            "panel": panel,
            "lid_open": rng.random() < 0.5,
            "valve": "shut",
            "firmware": f"2.{rng.randrange(100)}",
        },
        "valve_order": {"order": rng.randrange(256), "valve": "open", "expires": rng.randint(10, 2560)},
        "acknowledgement": {"order": rng.randrange(256), "result": "done", "valve": rng.choice(["open", "stuck"])},
    }
    frame = rng.choice(list(bodies))
    octets = bytearray(protocol.encode(frame, address | bodies[frame]))
    if rng.random() < 0.2:
        octets[rng.randrange(len(octets))] ^= 1 << rng.randrange(8)
    return bytes(octets)


def python_answer(protocol: ullage.Protocol, octets: bytes) -> str:
    """What Python reads, in the words of orchard_pump_house.c."""
    try:
        message = protocol.decode(octets)
    except ullage.Refused as refused:
        return f"refused {int(refused.reason)}"
    v = message.values
    codes = {"shut": 0, "half": 1, "open": 2, "stuck": 3}
    results = {"done": 0, "refused": 1, "expired": 2, "stuck": 3}
    said: dict[str, Any] = {
        "level_report": lambda: (v["sensor"], v["distance"], round(v["battery"] * 100)),
        "status_report": lambda: (v["uptime"] // 60, v["starts"], v["firmware"]),
        "valve_order": lambda: (v["order"], codes[v["valve"]], v["expires"] // 10),
        "acknowledgement": lambda: (v["order"], results[v["result"]], codes[v["valve"]]),
    }
    return " ".join(map(str, (message.frame, v["source"], v["sequence"], *said[message.frame]())))


def reads_a_log(folder: Path) -> bool:
    """A simulated receiver's log: every line must come out as the truth beside it says."""
    log, truth = folder / "receiver.log", folder / "truth.jsonl"
    words = ["simulate", str(SPEC), "--frames", "950", "--seed", str(SEED), "-o", str(log), "--truth", str(truth)]
    ullage_command(*words)
    decoded = ullage_command("decode", str(SPEC), str(log), "--json", "--all")
    kinds = [kind(json.loads(line)) for line in decoded.stdout.splitlines()]
    must = [row["must"] for row in map(json.loads, truth.read_text(encoding="utf-8").splitlines()) if "line" in row]
    right = kinds == must
    print(f"A receiver's log          {len(kinds)} lines, with losses, repeats, noise and neighbours")
    for line in filter(None, decoded.stderr.splitlines()):
        print(f"  {line.split('  ullage explain')[0].rstrip()}")
    print(f"  {'every line as the truth beside the log says' if right else 'NOT as the truth says'}\n")
    return right


def kind(row: dict[str, Any]) -> str:
    """What a line of `decode --json --all` says of its line in the log."""
    return "refused" if "refused" in row else "none" if "none" in row else "reading"


def refuses_forged_orders(folder: Path, plain: ullage.Protocol) -> bool:
    """The pump house orders a valve open; whoever forges or repeats that order is refused where orders are sealed."""
    sealed = ullage.load(SEALED)
    ullage_command("key", "new", "17", "18", "-o", str(folder / "keys.toml"))
    keys = read_keys((folder / "keys.toml").read_bytes(), "keys.toml")
    hub = ullage.Sender(sealed, 1, keys, counter())
    thief = ullage.Sender(sealed, 1, {17: Key(random.Random(SEED).randbytes(16), 17)}, counter())
    shut, wide = ({"destination": 17, "order": 5, "valve": valve, "expires": 600} for valve in ("shut", "open"))
    order = hub.encode("valve_order", shut)
    body = bytearray(order[: -sealed.check_octets])
    body[6] ^= 0x80  # shut becomes open, and the CRC is made to fit again
    node = ullage.Receiver(sealed, {17: keys[17]})
    tries = {
        "plain, forged by anybody": (plain.decode, plain.encode("valve_order", {**wide, "source": 1, "sequence": 9})),
        "sealed by the pump house": (node.decode, order),
        "the same, played back": (node.decode, order),
        "one bit turned, CRC made good": (node.decode, sealed.codec.finished(bytes(body))),
        "sealed with another key": (node.decode, thief.encode("valve_order", wide)),
    }
    answers = {what: answer(decode, octets) for what, (decode, octets) in tries.items()}
    right = [said.split()[0] for said in answers.values()] == ["open", "shut", "replay:", "wrong_tag:", "wrong_tag:"]
    print("Valve orders              what the node at station 17 makes of five of them")
    for what, said in answers.items():
        print(f"  {what:<30}  {said}")
    print("" if right else "  NOT as it must be\n")
    return right


def counter() -> BlockCounter:
    """A new node's counter; a real one keeps its two records in a memory that outlives power cuts."""
    memory: dict[int, bytes] = {}
    provision(memory.get, memory.__setitem__)
    return BlockCounter(memory.get, memory.__setitem__)


def answer(decode: Callable[[bytes], ullage.Message], octets: bytes) -> str:
    """What a node does about an order, or why it refuses it."""
    try:
        return f"{decode(octets)['valve']}  taken"
    except ullage.Refused as refused:
        return f"{refused.reason}: {refused}"


def compares_with_text(protocol: ullage.Protocol, frames: list[bytes], texts: list[str]) -> None:
    """The same readings as frames and as the comma-joined text that they replace."""
    ours, theirs = len(frames[0]), statistics.mean(map(len, texts))
    print(f"On the air                {ours} octets with CRC, against {theirs:.1f} of comma-joined text without one")
    radio = protocol.radio
    if radio is not None and radio.modulation == "lora":
        lora = LoRa(radio.spreading_factor, radio.bandwidth_khz, radio.coding_rate)
        air = [float(lora.time_on_air_us(octets)) / 1000 for octets in (ours, round(theirs))]
        print(
            f"  {air[0]:.0f} ms against {air[1]:.0f} ms at SF{radio.spreading_factor}, {int(radio.bandwidth_khz)} kHz"
        )


def ullage_command(*words: str) -> "subprocess.CompletedProcess[str]":
    """Run the command line as a user would."""
    command = [sys.executable, "-m", "ullage_cli", *words]
    return subprocess.run(command, capture_output=True, text=True, check=True, encoding="utf-8")


if __name__ == "__main__":
    sys.exit(main())
