"""Names: what the list of taken words holds is asked of compilers, Python and Node, and what is free is compiled."""

import keyword
import re
import subprocess
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

import ullage
from support.ends import WARNINGS, need
from ullage.names import RESERVED, fault_in_name, fault_in_protocol_name, fault_in_word
from ullage_codegen.c.header import emit_c
from ullage_codegen.c.names import NameClash

C_FAMILY = [("gcc", "gnu2x"), ("clang", "gnu2x")]
CPP_FAMILY = [("g++", "gnu++20"), ("clang++", "gnu++20")]

NOT_REFUSED = {
    "C": {
        "fortran": "common extension of C's annex J.5.9",
        "typeof_unqual": "C23, in newer compilers",
        "bool false true alignas alignof static_assert thread_local": "C23, in newer compilers; macros before that",
        "constexpr nullptr": "C23, in newer compilers",
    },
    "C++": {"contract_assert": "C++26, in newer compilers"},
    "JavaScript": {
        "undefined": "a function may have a variable of this name, a script may not",
        "await": "only modules and async functions keep it",
    },
}
"""Why a word is on the list though a tool takes it as a name; without a reason here a word must be refused."""

CANDIDATES = """
  abstract boolean byte double final float goto int long native short synchronized throws transient volatile
  accessor async await from get meta module of override set target type match case print exec self cls nonlocal
  restrict inline asm typeof typeof_unqual constexpr nullptr static_assert thread_local alignas alignof bool true false
  and and_eq bitand bitor compl not not_eq or or_eq xor xor_eq concept requires co_await co_return co_yield char8_t
  decltype explicit export import mutable noexcept operator template typeid typename using virtual wchar_t declare
  debugger arguments eval undefined let static implements interface package private protected public yield enum super
  is readonly symbol string number object any never unknown infer keyof namespace global abs min max round bit word
  bytes str list dict tuple set frozenset id hash len property classmethod staticmethod fields field dataclass data
  value values name names octets octet count frame message status key keys items index encode decode prototype length
  then size current power reset status_t code level order result near far small large huge register volatile signed
  pure assign lambda none null nil pass raise with del global yield_ interrupt signal near_end linux_version
"""
"""Words that one of the four languages might keep, or that written programs like to use themselves."""


def listed(language: str) -> list[str]:
    """The words that this language keeps as its own, those with another reason not among them."""
    return [word for word, why in RESERVED.items() if why == language]


def excused(language: str) -> set[str]:
    return {word for words in NOT_REFUSED[language] for word in words.split()}


def refused_as_member(words: list[str], compiler: str, standard: str) -> set[str]:
    """The words that a compiler does not take as a struct's member, each on a line before one that it must take."""
    need(compiler)
    lines = ["#include <stdint.h>", "#include <stddef.h>"]
    for number, word in enumerate(words):
        use = f"enum {{ size_{number} = sizeof(((struct word_{number} *)0)->{word}) }};"
        lines += [f"struct word_{number} {{ uint8_t {word}; }}; {use}", f"struct good_{number} {{ int good; }};"]
    language = "c++" if "++" in standard else "c"
    many = "-ferror-limit=0" if "clang" in compiler else "-fmax-errors=0"
    command = [compiler, f"-std={standard}", "-x", language, "-fsyntax-only", "-Wall", "-Wextra", "-Werror", many, "-"]
    said = subprocess.run(command, input="\n".join(lines) + "\n", capture_output=True, text=True, check=False).stderr
    wrong = {int(number) - 3 for number in re.findall(r"^<stdin>:(\d+):\d+: error", said, re.MULTILINE)}
    assert not {place for place in wrong if place % 2}, "a good line was refused, too"
    return {words[place // 2] for place in wrong}


@pytest.mark.parametrize(("compiler", "standard"), C_FAMILY)
def test_every_c_word_is_refused_by_compilers_or_has_a_reason(compiler: str, standard: str) -> None:
    words = listed("C")
    assert set(words) - refused_as_member(words, compiler, standard) <= excused("C")


@pytest.mark.parametrize(("compiler", "standard"), CPP_FAMILY)
def test_every_cpp_word_is_refused_by_compilers_or_has_a_reason(compiler: str, standard: str) -> None:
    words = listed("C++")
    assert set(words) - refused_as_member(words, compiler, standard) <= excused("C++")


@pytest.mark.parametrize(("compiler", "standard"), CPP_FAMILY[:1])
def test_every_type_of_stdint_changes_its_meaning_as_a_member_in_cpp(compiler: str, standard: str) -> None:
    """Seen where the struct uses the type again behind the member, as every struct of ours may."""
    need(compiler)
    types = [word for word, why in RESERVED.items() if "stdint" in why]
    functions = {"offsetof", "unreachable", "nullptr_t"}  # macros with arguments; and a type of C23
    for word in sorted(set(types) - functions):
        source = f"#include <stdint.h>\n#include <stddef.h>\nstruct s {{ {word} first; uint8_t {word}; }};\n"
        command = [compiler, f"-std={standard}", "-x", "c++", "-fsyntax-only", "-"]
        assert subprocess.run(command, input=source, text=True, capture_output=True, check=False).returncode, word


@pytest.mark.parametrize("compiler", ["gcc", "arm-none-eabi-gcc", "avr-gcc"])
def test_every_type_that_our_two_headers_define_is_listed(compiler: str) -> None:
    need(compiler)
    source = "#include <stdint.h>\n#include <stddef.h>\n"
    command = [compiler, "-std=c11", "-E", "-P", "-"]
    printed = subprocess.run(command, input=source, capture_output=True, text=True, check=True).stdout
    types = set(re.findall(r"\b([a-z][a-z0-9_]*)(?: __attribute__[^;]*)?;", printed))
    assert {"uint8_t", "int_fast32_t", "uintmax_t", "size_t", "ptrdiff_t"} <= types
    assert types <= set(RESERVED)


def test_every_python_keyword_is_listed_and_every_listed_one_is_one() -> None:
    assert {word.lower() for word in keyword.kwlist} <= set(RESERVED)
    assert set(listed("Python")) <= {word.lower() for word in keyword.kwlist}


def node_refuses(words: list[str]) -> set[str]:
    """The words that Node takes for no variable in a strict function, nor in a strict async one."""
    need("node")
    program = (
        "const fs = require('fs'); const AsyncFunction = (async () => {}).constructor;"
        "const out = JSON.parse(fs.readFileSync(0, 'utf8')).filter(word => [Function, AsyncFunction].some(kind => {"
        "  try { new kind('\"use strict\"; var ' + word); return false } catch (error) { return true } }));"
        "console.log(JSON.stringify(out))"
    )
    made = subprocess.run(
        ["node", "-e", program], input=repr(words).replace("'", '"'), capture_output=True, text=True, check=True
    )
    return set(made.stdout.strip()[2:-2].split('","'))


def test_every_javascript_word_is_refused_by_node_or_has_a_reason() -> None:
    words = listed("JavaScript")
    assert set(words) - node_refuses(words) <= excused("JavaScript")


def test_every_object_of_javascript_has_a_constructor_and_no_other_plain_word() -> None:
    need("node")
    program = "console.log(Object.getOwnPropertyNames(Object.prototype).join(' '))"
    printed = subprocess.run(["node", "-e", program], capture_output=True, text=True, check=True).stdout
    inherited = [name for name in printed.split() if re.fullmatch("[a-z][a-z0-9_]*", name)]
    assert inherited == ["constructor"]
    assert set(inherited) <= set(RESERVED)


def test_no_candidate_that_a_tool_refuses_is_free() -> None:
    words = sorted(set(CANDIDATES.split()))
    refused = {word for word in words if keyword.iskeyword(word)} | node_refuses(words)
    for compiler, standard in (*C_FAMILY, *CPP_FAMILY):
        refused |= refused_as_member(words, compiler, standard)
    assert len(refused) > 30
    assert refused <= set(RESERVED)


EVERYDAY_HEADERS = """assert complex ctype errno fenv float inttypes limits locale math setjmp signal stdalign stdarg
stdatomic stdbool stddef stdint stdio stdlib stdnoreturn string time uchar wchar wctype fcntl sys/types
sys/stat sys/time libgen unistd pthread sched poll netdb netinet/in arpa/inet sys/socket"""


@pytest.mark.parametrize("compiler", ["gcc", "arm-none-eabi-gcc", "avr-gcc"])
def test_no_plain_word_that_everyday_headers_define_is_free(compiler: str) -> None:
    """Without the fields of <signal.h>'s siginfo_t, and the functions that avr-libc and newlib give a second name."""
    need(compiler)
    target = ["-mmcu=atmega328p"] if compiler == "avr-gcc" else []
    source = "".join(
        f"#if __has_include(<{name}.h>)\n#include <{name}.h>\n#endif\n" for name in EVERYDAY_HEADERS.split()
    )
    command = [compiler, "-std=gnu11", *target, "-dM", "-E", "-"]
    printed = subprocess.run(command, input=source, capture_output=True, text=True, check=True).stdout
    words = set(re.findall(r"^#define ([a-z][a-z0-9_]*) ", printed, re.MULTILINE))
    beside = {word for word in words if re.match("(si|sigev)_", word)}
    second = {word for word in words if re.fullmatch(r"[a-z0-9]+f", word)}
    assert len(words) > 5
    assert words - beside - second <= set(RESERVED)


CLANG_TARGETS = """avr msp430 arm-none-eabi armv7-linux aarch64 riscv32 riscv64 mips mips64 powerpc powerpc64
powerpc-aix sparc sparcv9 sparc-solaris s390x-linux hexagon xcore m68k i386-linux i386-pc-windows-msvc
x86_64-w64-mingw32 x86_64-apple-darwin i386-solaris x86_64-netbsd wasm32 bpf lanai tce nvptx amdgcn ve spir"""


def test_no_plain_word_that_a_target_defines_is_free() -> None:
    """Targets that this clang does not have define nothing; there must be many that it has."""
    need("clang")
    words: set[str] = set()
    for target in CLANG_TARGETS.split():
        command = ["clang", f"--target={target}", "-std=gnu99", "-x", "c", "-dM", "-E", "-"]
        printed = subprocess.run(command, input="", capture_output=True, text=True, check=False).stdout
        words |= set(re.findall(r"^#define ([a-z][a-z0-9_]*) ", printed, re.MULTILINE))
    assert {"linux", "unix", "i386"} <= words
    assert words <= set(RESERVED)


def free_words() -> list[str]:
    """Every candidate, and every word that the header itself uses, that a spec may have for a name."""
    own = re.findall(r"\b[a-z][a-z0-9_]*\b", emit_c(every_place(["plain"]), "words.toml"))
    words = [*CANDIDATES.split(), *keyword.softkwlist, *own]
    return sorted({word for word in words if fault_in_name(word) is None and not word.startswith(("words_", "own_"))})


HEADER_HAS = {"decode", "encode", "frame", "get", "message", "status", "take"}
"""Frames of these names, or lists of some of them, are refused with both makers named; see test_cnames.py."""


def every_place(words: list[str]) -> ullage.Protocol:
    """A protocol with a frame of each word, and in it the word as a flag, as a measure and its special code, as a
    field of codes and one of them, or as a list; which of these is told by the word's place."""
    text = '[protocol]\nname = "words"\n[header]\nfield = [{ name = "own_code", kind = "message", bits = 16 }]\n'
    for number, word in enumerate(words):
        kinds = [
            f'{{ name = "{word}", kind = "flag" }}',
            f'{{ name = "{word}", kind = "measure", unit = "", range = [0, 9], step = 1, special = ["{word}"] }}',
            f'{{ name = "{word}", kind = "code", codes = {{ {word} = 0, default = 1 }} }}',
            f'{{ name = "own_number", kind = "count", bits = 8 }}, {{ name = "{word}", kind = "list", '
            'counted_by = "own_number", at_most = 2, field = [{ name = "inside", kind = "flag" }] }',
        ]
        taken = word in HEADER_HAS
        frame, field = f"own_{number}" if taken else word, kinds[number % (3 if taken else 4)]
        text += f'[[frame]]\nname = "{frame}"\nmessage = {number + 1}\nfield = [{field}]\n'
    return ullage.loads(text)


@pytest.mark.parametrize(("compiler", "standard"), [("gcc", "gnu99"), ("clang++", "gnu++20")])
def test_every_free_word_can_be_a_field_a_frame_and_a_code(compiler: str, standard: str, tmp_path: Path) -> None:
    """In four specs, each begun at another word, so that each word is of every kind once."""
    need(compiler)
    words = free_words()
    assert len(words) > 150
    language = "c++" if "++" in standard else "c"
    sources = []
    for turn in range(4):
        path = tmp_path / f"words{turn}.h"
        path.write_text(emit_c(every_place([*words[turn:], *words[:turn]]), "words.toml"), encoding="ascii")
        use = tmp_path / f"use{turn}.c"
        use.write_text(f'#include <stdio.h>\n#include <math.h>\n#include <time.h>\n#include "{path.name}"\n')
        sources.append(str(use))
    command = [compiler, "-x", language, f"-std={standard}", "-fsyntax-only", *WARNINGS, *sources]
    made = subprocess.run(command, capture_output=True, text=True, check=False)
    assert made.returncode == 0, made.stderr[:2000]


@pytest.mark.parametrize("word", ["then", "final", "module", "count", "self", "type", "current", "byte", "min"])
def test_words_that_only_look_dangerous_are_free(word: str) -> None:
    assert fault_in_name(word) is None


TAKEN = {
    "a keyword of C++": ("dynamic", "cast", "dynamic_cast in C, which cannot be a name in C++"),
    "a keyword of C": ("thread", "local", "thread_local in C, which cannot be a name in C"),
    "a type": ("size", "t", "size_t in C, which cannot be a name in C: <stdint.h> or <stddef.h> defines it"),
}


@pytest.mark.parametrize("case", TAKEN)
def test_two_free_words_that_make_a_taken_one_are_refused_with_their_maker(case: str) -> None:
    protocol, frame, text = TAKEN[case]
    spec = f'[protocol]\nname = "{protocol}"\n[[frame]]\nname = "{frame}"\nfield = [{{ name = "on", kind = "flag" }}]\n'
    with pytest.raises(NameClash) as refused:
        emit_c(ullage.loads(spec), "node.toml")
    assert str(refused.value) == f'frame "{frame}" would be called {text}; rename it'


@pytest.mark.parametrize("name", ["stdint", "stddef", "stdio", "math", "features", "aux", "com1", "string"])
def test_a_protocol_whose_files_would_hide_others_is_refused(name: str) -> None:
    fault = fault_in_protocol_name(name)
    assert fault is not None
    assert fault[1] == f'any other name, for example "the_{name}"'
    assert name in RESERVED or fault_in_name(name) is None


def test_a_header_called_like_one_of_the_system_hides_it(tmp_path: Path) -> None:
    """Why the names of headers are asked about at all."""
    need("gcc")
    (tmp_path / "stddef.h").write_text("#error found\n")
    command = ["gcc", f"-I{tmp_path}", "-fsyntax-only", "-x", "c", "-"]
    made = subprocess.run(command, input="#include <stddef.h>\n", capture_output=True, text=True, check=False)
    assert "found" in made.stderr


PLACES = {
    "protocol": '[protocol]\nname = "{}"\n[[frame]]\nname = "report"\nfield = [{{ name = "on", kind = "flag" }}]\n',
    "frame": '[protocol]\nname = "node"\n[[frame]]\nname = "{}"\nfield = [{{ name = "on", kind = "flag" }}]\n',
    "field": '[protocol]\nname = "node"\n[[frame]]\nname = "report"\nfield = [{{ name = "{}", kind = "flag" }}]\n',
    "special": (
        '[protocol]\nname = "node"\n[[frame]]\nname = "report"\nfield = [{{ name = "level", kind = "measure", '
        'unit = "mm", range = [0, 9], step = 1, special = ["{}"] }}]\n'
    ),
    "special with its code": (
        '[protocol]\nname = "node"\n[[frame]]\nname = "report"\nfield = [{{ name = "level", kind = "measure", '
        'unit = "mm", range = [0, 9], step = 1, special = {{ "{}" = 15 }} }}]\n'
    ),
    "choice": (
        '[protocol]\nname = "node"\n[[frame]]\nname = "report"\nfield = [{{ name = "valve", kind = "code", '
        'codes = {{ "{}" = 0 }} }}]\n'
    ),
}

WRONG = {
    "a capital": ("Level", '"Level" is no name: a small letter first, then small letters, digits and _', "level"),
    "only capitals of a taken word": ("Int", '"Int" is no name: a small letter first', "the_int"),
    "a Cyrillic letter": ("b\u0430ttery", "U+0430 CYRILLIC SMALL LETTER A is none of the letters", "battery"),
    "a Greek letter": ("l\u03b1st", "U+03B1 GREEK SMALL LETTER ALPHA is none of the letters", "last"),
    "fullwidth letters": ("\uff4c\uff45\uff56\uff45\uff4c", "U+FF4C FULLWIDTH LATIN SMALL LETTER L", "level"),
    "a combining mark": ("ho\u0308he", '"ho\\u0308he" is no name: U+0308 COMBINING DIAERESIS', "hohe"),
    "a letter with its mark": ("h\u00f6he", '"h\u00f6he" is no name: U+00F6 LATIN SMALL LETTER O', "hohe"),
    "a ligature": ("o\ufb00set", "U+FB00 LATIN SMALL LIGATURE FF", "offset"),
    "a letter without width": ("lev\u200bel", '"lev\\u200bel" is no name: U+200B ZERO WIDTH SPACE', "level"),
    "a turn of direction": ("a\u202eb", '"a\\u202eb" is no name: U+202E RIGHT-TO-LEFT OVERRIDE', "ab"),
    "other digits": ("tank\u0661", "U+0661 ARABIC-INDIC DIGIT ONE", "tank"),
    "letters beyond 16 bits": ("\U0001d41a", "U+1D41A MATHEMATICAL BOLD SMALL A", "a"),
    "a script without letters like ours": ("\u6c34", "U+6C34 CJK UNIFIED IDEOGRAPH-6C34", "a_name"),
}


@pytest.mark.parametrize("place", PLACES)
@pytest.mark.parametrize("wrong", WRONG)
def test_a_wrong_name_is_refused_with_place_and_help(place: str, wrong: str) -> None:
    name, text, help_name = WRONG[wrong]
    with pytest.raises(ullage.SpecError) as refused:
        ullage.loads(PLACES[place].format(name))
    (fault,) = refused.value.faults
    line = next(number for number, line in enumerate(PLACES[place].format(name).split("\n"), 1) if name in line)
    assert (fault.code, fault.line) == ("bad_name", line)
    assert text in fault.text
    assert fault.help == f'for example "{help_name}"'
    assert fault_in_name(help_name) is None


def test_two_names_that_differ_in_case_are_refused_for_the_capital() -> None:
    spec = PLACES["field"].format('level", kind = "flag" }, { name = "LEVEL')
    with pytest.raises(ullage.SpecError, match=r'"LEVEL" is no name') as refused:
        ullage.loads(spec)
    assert len(refused.value.faults) == 1


@pytest.mark.parametrize("place", PLACES)
@pytest.mark.parametrize(
    "letter", ["\\u001b[2J", "\\n", "\\r", "\\u0000", "\\u0085", "\\u2028", "\\u202e", "\\U000e0041"]
)
def test_the_text_of_a_fault_never_moves_the_terminal(place: str, letter: str) -> None:
    """Written as TOML's escapes, so that the letters stand in the name and not in the file."""
    with pytest.raises(ullage.SpecError) as refused:
        ullage.loads(PLACES[place].format(f"a{letter}b"), source="node.toml")
    said = str(refused.value)
    assert all(line.isprintable() for line in said.split("\n"))
    assert len([line for line in said.split("\n") if line.startswith("node.toml:")]) == 1
    assert said.split("\n")[1][:5].strip().isdigit()


@given(st.text(min_size=1, max_size=90))
def test_whatever_the_name_fault_and_help_can_be_printed_and_the_help_helps(name: str) -> None:
    fault = fault_in_name(name)
    if fault is None:
        assert re.fullmatch(r"[a-z][a-z0-9]*(_[a-z0-9]+)*", name)
        assert name not in RESERVED
        return
    assert all(text.isprintable() for text in fault)
    suggested = re.search(r'"([^"]*)"$', fault[1])
    assert suggested
    assert fault_in_name(suggested[1]) is None


@pytest.mark.parametrize("word", sorted(RESERVED))
def test_a_taken_word_names_no_field_but_a_code(word: str) -> None:
    assert fault_in_word(word) is None
    fault = fault_in_name(word)
    assert fault is not None
    assert fault[0].startswith(f'"{word}" cannot be a name in ')
    assert fault_in_name(f"the_{word}") is None
