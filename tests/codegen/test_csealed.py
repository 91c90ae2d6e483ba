"""The header of a protocol with sealed frames, as text and as compilers see it; others know nothing of sealing."""

import re
import subprocess
from dataclasses import replace
from pathlib import Path

import pytest

import ullage
from support.ends import WARNINGS, need
from support.sealed_scenes import Forge
from support.sealed_specs import SEALED
from ullage_codegen.c.header import answers, emit_c, emitted_c, model
from ullage_codegen.c.names import NameClash

SHIPPED = sorted((Path(__file__).parents[2] / "spec").rglob("*.toml"))
COMPILERS = ["gcc", "clang", "g++", "clang++"]


def spec(name: str) -> str:
    return re.sub(r'(\[protocol\]\nname = )"\w+"', r'\1"cistern"', SEALED[name])


def protocol(name: str = "orchard") -> ullage.Protocol:
    return ullage.loads(spec(name))


def compile_c(source: str, folder: Path, *options: str, compiler: str = "gcc", warnings: bool = True) -> None:
    """Compile C or C++ with every warning an error."""
    need(compiler)
    standard = ["-x", "c++", "-std=c++11"] if compiler.endswith("++") else ["-x", "c", "-std=c99"]
    command = [compiler, *standard, *(WARNINGS if warnings else ()), f"-I{folder}", *options, "-"]
    made = subprocess.run(command, input=source, capture_output=True, text=True, check=False)
    assert made.returncode == 0, made.stderr[:3000]


def written(folder: Path, name: str = "orchard") -> ullage.Protocol:
    """A header in a folder."""
    found = protocol(name)
    (folder / f"{found.name}.h").write_text(emit_c(found, "cistern.toml"), encoding="ascii")
    return found


@pytest.mark.parametrize("path", [path for path in SHIPPED if not ullage.load(path).seal], ids=lambda path: path.stem)
def test_a_header_without_sealed_frames_has_no_code_for_them(path: Path) -> None:
    text = emit_c(ullage.load(path), path.name)
    assert not re.search(r"seal|aes|nonce|peer|window|_counter_|no_key|wrong_tag|replay", text, re.IGNORECASE)


def test_a_header_without_seal_is_the_same_whether_frames_were_sealed_once_or_not() -> None:
    sealed = protocol()
    open_frames = {name: replace(layout, sealing=None) for name, layout in sealed.frames.items()}
    text = emit_c(ullage.Protocol("cistern", 0, "", open_frames, sealed.integrity), "cistern.toml")
    assert not re.search(r"aes|nonce|peer|window|_counter_|no_key|wrong_tag|replay", text, re.IGNORECASE)
    assert "cistern_report_encode(" in text
    assert "cistern_report_seal(" not in text


@pytest.mark.parametrize("name", SEALED)
def test_the_header_is_the_same_every_time_and_plain_ascii(name: str) -> None:
    if "256" in name:
        return
    text = emit_c(protocol(name), "cistern.toml")
    assert text == emit_c(protocol(name), "cistern.toml")
    assert text.isascii()
    assert not re.search(r"[ \t]$|\n\n\n", text, re.MULTILINE)


def test_every_answer_has_its_number() -> None:
    found = protocol()
    listed = dict(re.findall(r"^    CISTERN_(\w+) = (\d+),? +/\* .*", emit_c(found, "x.toml"), re.MULTILINE))
    for status in answers(found):
        name = status.name if status in (0, 32, 35, 36) else f"REFUSED_{status.name}"
        assert listed[name] == str(int(status))
    assert (listed["COUNTER_SPENT"], listed["COUNTER_LOST"]) == ("35", "36")
    assert (listed["REFUSED_NO_KEY"], listed["REFUSED_WRONG_TAG"], listed["REFUSED_REPLAY"]) == ("8", "9", "10")


def test_a_sealed_frame_can_be_sealed_and_never_only_encoded() -> None:
    text = emit_c(protocol(), "x.toml")
    assert "cistern_report_seal(" in text
    assert "cistern_report_encode(" not in text
    assert "cistern_lid_encode(" in text
    assert "cistern_lid_seal(" not in text


def test_the_reserved_block_is_the_specs_and_not_part_of_the_fingerprint() -> None:
    one, other = (ullage.loads(spec("orchard").replace("reserve = 1\n", f"reserve = {size}\n")) for size in (1, 40))
    assert "#define CISTERN_SEAL_RESERVE 40\n" in emit_c(other, "x.toml")
    assert one.fingerprint == other.fingerprint


@pytest.mark.parametrize("bits", [192, 256])
def test_keys_that_c_cannot_use_are_refused_in_one_sentence(bits: int) -> None:
    long = ullage.loads(spec("orchard").replace("[seal]\n", f"[seal]\nkey_bits = {bits}\n"))
    with pytest.raises(ullage.UllageError, match=f"the keys of cistern have {bits} bits, and the C header has AES-128"):
        emitted_c(long, "x.toml")


@pytest.mark.parametrize("which", ["newest", "older"])
def test_two_revisions_with_sealed_frames_are_refused_in_one_sentence(which: str) -> None:
    text = spec("orchard")
    plain = re.sub(r"\[seal\].*?(?=\[integrity\])", "", text, flags=re.DOTALL).replace(", counter_bits = 32", "")
    texts = [text, plain] if which == "newest" else [plain, text]
    newest, older = (
        ullage.loads(one.replace("[header]", f"revision = {2 - k}\n[header]")) for k, one in enumerate(texts)
    )
    with pytest.raises(ullage.UllageError, match=r"has sealed frames, and a header with --older opens none"):
        emit_c(newest, "x.toml", older)


@pytest.mark.parametrize("frame", ["key", "peer", "window", "counter", "receive", "aes"])
def test_a_frame_with_a_name_of_the_sealing_parts_is_a_clash(frame: str) -> None:
    clashing = ullage.loads(spec("orchard").replace('"lid"', f'"{frame}"'))
    with pytest.raises(NameClash, match=f"the header itself and .*{frame}"):
        model(clashing)


AROUND = """
#include <stdio.h>
#include "cistern.h"
#define MY_STATION 1
#define CISTERN_KEY_17 octets16
static const uint8_t octets16[16] = { 7 };
static struct cistern_peer peer;
static struct cistern_counter counter;
static void radio_send(const uint8_t *octets, size_t count) { (void)octets; (void)count; }
uint8_t load(void *memory, uint8_t which, uint8_t *octets);
uint8_t store(void *memory, uint8_t which, const uint8_t *octets);
static struct cistern_peer *find(void *memory, %(group)s%(address)s owner, %(address)s source)
{ (void)memory; %(use)s(void)owner; (void)source; return &peer; }
%(handlers)s
void provision(void *memory);
void provision(void *memory) {
%(provision)s
}
void begin(void *memory);
void begin(void *memory) {
%(begin)s
}
void send(void);
void send(void) {
%(send)s
}
void receive(const uint8_t *octets, size_t count, void *peers);
void receive(const uint8_t *octets, size_t count, void *peers) {
%(receive)s
}
"""


@pytest.mark.parametrize("compiler", COMPILERS)
@pytest.mark.parametrize("name", ["orchard", "lists", "a group's key"])
def test_the_manual_at_the_top_compiles_as_it_stands(name: str, compiler: str, tmp_path: Path) -> None:
    found = protocol(name)
    text = emit_c(found, "cistern.toml")
    (tmp_path / "cistern.h").write_text(text)
    manual = re.sub(r"^ \*", "", text.split("*/")[0], flags=re.MULTILINE)
    lines = [line for line in manual.split("\n") if not re.match(r" {13}(Send the|message\.sealed is)", line)]
    manual = "\n".join(lines)
    provision = next(line for line in lines if "_counter_provision(" in line)
    begin = manual.split("   begin\n")[1].split("   send\n")[0]
    send = manual.split("   send\n")[1].split("   receive\n")[0]
    receive = manual.split("   receive\n")[1].split("   AES ")[0]
    assert "_seal(&report" in send
    assert "_receive_at(" in receive
    frames = model(found).frames
    handlers = "\n".join(
        f"static void got_{frame.layout.name}(const struct {frame.struct} *values) {{ (void)values; }}"
        for frame in frames
    )
    grouped = name == "a group's key"
    source = AROUND % {
        "handlers": handlers,
        "provision": provision,
        "begin": begin,
        "send": send,
        "receive": receive,
        "address": "uint16_t" if name == "lists" else "uint8_t",
        "group": "uint8_t group, " if grouped else "",
        "use": "(void)group; " if grouped else "",
    }
    compile_c(source, tmp_path, "-O1", "-c", "-o", str(tmp_path / "x.o"), compiler=compiler)


def test_what_is_not_used_costs_nothing(tmp_path: Path) -> None:
    written(tmp_path)
    sizes = []
    for include in ('#include "cistern.h"\n', "#include <stdint.h>\n"):
        made = str(tmp_path / "program.o")
        compile_c(f"{include}int answer(void);\nint answer(void) {{ return 42; }}\n", tmp_path, "-Os", "-c", "-o", made)
        sizes.append(subprocess.run(["size", made], capture_output=True, text=True, check=True).stdout.split()[6:10])
    assert sizes[0] == sizes[1]


@pytest.mark.parametrize("compiler", ["avr-gcc", "arm-none-eabi-gcc"])
@pytest.mark.parametrize("name", ["orchard", "lists"])
def test_the_header_compiles_for_a_small_chip(name: str, compiler: str, tmp_path: Path) -> None:
    written(tmp_path, name)
    chip = {"avr-gcc": "-mmcu=atmega328p", "arm-none-eabi-gcc": "-mcpu=cortex-m0"}[compiler]
    compile_c(
        '#include "cistern.h"\nint x;\n', tmp_path, chip, "-Os", "-c", "-o", str(tmp_path / "x.o"), compiler=compiler
    )


HOOK = """
#include <stdint.h>
static unsigned calls;
static void chip_aes(const uint8_t *key, uint8_t *block);
#define CISTERN_AES_BLOCK(key, block) chip_aes(key, block)
#include "cistern.h"
static void chip_aes(const uint8_t *key, uint8_t *block)
{
    uint8_t i;
    calls++;
    for (i = 0u; i < 16u; i++) { block[i] = (uint8_t)(block[i] * 3u + key[i] + block[(i + 5u) & 15u]); }
}
static uint8_t kept[2][CISTERN_COUNTER_RECORD_OCTETS];
static uint8_t load(void *memory, uint8_t which, uint8_t *octets)
{ uint8_t i; (void)memory; for (i = 0u; i < sizeof kept[0]; i++) { octets[i] = kept[which][i]; } return 1u; }
static uint8_t store(void *memory, uint8_t which, const uint8_t *octets)
{ uint8_t i; (void)memory; for (i = 0u; i < sizeof kept[0]; i++) { kept[which][i] = octets[i]; } return 1u; }
static struct cistern_peer *find(void *memory, uint8_t owner, uint8_t source)
{ (void)owner; (void)source; return (struct cistern_peer *)memory; }
int main(void)
{
    static const uint8_t key[16] = { 1, 2, 3, 4, 5, 6, 7, 8 };
    static struct cistern_peer peer;
    struct cistern_counter counter;
    struct cistern_report report;
    struct cistern_message message;
    uint8_t octets[CISTERN_REPORT_OCTETS];
    unsigned round;

    cistern_key_set(&peer.key, key);
    if (cistern_counter_provision(load, store, NULL, 70000u) != CISTERN_COUNTER_FINE) { return 1; }
    if (cistern_counter_begin(&counter, load, store, NULL, CISTERN_SEAL_RESERVE) != CISTERN_COUNTER_FINE) { return 2; }
    report.destination = 1u;
    report.source = 17u;
    report.sensor = 5u;
    report.distance_mm = CISTERN_REPORT_DISTANCE_NO_ECHO;
    report.battery_10mV = 371u;
    for (round = 0u; round < 5u; round++) {
        if (cistern_report_seal(&report, &peer.key, &counter, octets) != CISTERN_FINE) { return 3; }
        if (cistern_receive_at(octets, sizeof octets, 1u, find, &peer, &message) != CISTERN_FINE) { return 4; }
        if (message.frame != CISTERN_FRAME_REPORT || message.sealed != 1u) { return 5; }
        if (message.counter != 70000u + round || message.as.report.sequence != 4464u + round) { return 6; }
        if (message.as.report.battery_10mV != 371u) { return 9; }
        if (cistern_receive(octets, sizeof octets, find, &peer, &message) != CISTERN_REFUSED_REPLAY) { return 7; }
    }
    return calls > 20u ? 0 : 8;
}
"""


def test_a_chips_own_aes_takes_the_place_of_the_written_one(tmp_path: Path) -> None:
    written(tmp_path)
    program = tmp_path / "program"
    compile_c(HOOK, tmp_path, "-fsanitize=address,undefined", "-fno-sanitize-recover=all", "-o", str(program))
    assert subprocess.run([str(program)], check=False).returncode == 0
    assert "aes_box" not in subprocess.run(["nm", str(program)], capture_output=True, text=True, check=True).stdout


READER = """
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include "%(low)s.h"
static struct %(low)s_peer peers[2];
static struct %(low)s_peer *find(void *memory, %(owner)s owner, %(source)s source)
{ (void)memory; return owner == %(station)du ? &peers[source == owner] : NULL; }
int main(void)
{
    static const uint8_t key[16] = { %(key)s };
    char line[2048];

    %(low)s_key_set(&peers[0].key, key);
    %(low)s_key_set(&peers[1].key, key);
    while (fgets(line, sizeof line, stdin) != NULL) {
        const size_t count = strcspn(line, "\\n") / 2u;
        uint8_t *octets = (uint8_t *)malloc(count);
        struct %(low)s_message *message = (struct %(low)s_message *)malloc(sizeof *message);
        size_t place;

        for (place = 0; place < count; place++) {
            unsigned value;
            sscanf(line + 2u * place, "%%2x", &value);
            octets[place] = (uint8_t)value;
        }
        printf("%%d\\n", (int)%(low)s_receive(octets, count, find, NULL, message));
        free(message);
        free(octets);
    }
    return 0;
}
"""


@pytest.mark.parametrize("name", ["orchard", "lists", "nothing encrypted", "lists without a check"])
def test_opening_stays_inside_what_was_received(name: str, tmp_path: Path) -> None:
    """Under AddressSanitizer, every frame alone at the end of its own allocation."""
    found = written(tmp_path, name)
    forge = Forge(found, 5)
    numbers = model(found).sealed
    assert numbers
    station, key = forge.a, forge.keys[forge.a]
    source = READER % {
        "low": found.name,
        "owner": numbers.owner.name,
        "source": numbers.source.name,
        "station": station,
        "key": ", ".join(str(octet) for octet in key.octets),
    }
    program = tmp_path / "program"
    sanitizers = ("-g", "-O1", "-fsanitize=address,undefined", "-fno-sanitize-recover=all")
    compile_c(source, tmp_path, *sanitizers, "-o", str(program), warnings=False)
    receiver = ullage.Receiver(found, {station: key})
    scenes = [scene for scene in forge.scenes(False) if scene.from_counter == 0]
    frames = [octets for scene in scenes for octets, _ in scene.events[:40] if octets]
    run = subprocess.run(
        [str(program)], input="".join(f"{one.hex()}\n" for one in frames), capture_output=True, text=True, check=False
    )
    assert run.returncode == 0, run.stderr[:3000]
    wanted = [_answer(receiver, octets) for octets in frames]
    assert [int(line) for line in run.stdout.split()] == wanted
    assert {0, 8, 9, 10} <= set(wanted)


def _answer(receiver: ullage.Receiver, octets: bytes) -> int:
    try:
        receiver.decode(octets)
    except ullage.Refused as refused:
        return int(refused.reason)
    return 0
