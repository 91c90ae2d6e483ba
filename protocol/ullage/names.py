"""Which names a spec may use: plain lower case, and no word that C, C++, Python or JavaScript keeps for itself.

One list holds every such word with its reason; tests/protocol/test_names.py asks compilers, Python and Node about each.
A protocol's name is also that of its header's file, so there is a second list for it.
"""

import difflib
import keyword
import re
import unicodedata
from collections.abc import Iterable

_PLAIN = re.compile(r"[a-z][a-z0-9_]*\Z")

# ISO/IEC 9899:1999 6.4.1 and later editions, to C23; asm and fortran: its annex J.5 (common extensions).
_C = """auto break case char const continue default do double else enum extern float for goto if inline int long
register restrict return short signed sizeof static struct switch typedef union unsigned void volatile while
alignas alignof bool constexpr false nullptr static_assert thread_local true typeof typeof_unqual asm fortran"""
# ISO/IEC 14882 [lex.key], to C++23, with the alternative tokens. contract_assert: C++26, from memory. The identifiers
# with special meaning (final, override, module) are good members and stay free.
_CPP = """and and_eq asm bitand bitor catch char8_t char16_t char32_t class co_await co_return co_yield compl concept
const_cast consteval constinit contract_assert decltype delete dynamic_cast explicit export friend mutable namespace
new noexcept not not_eq operator or or_eq private protected public reinterpret_cast requires static_cast template this
throw try typeid typename using virtual wchar_t xor xor_eq"""
# ECMA-262 12.7.2 (reserved words, strict mode too) and the two names that no binding may have.
_JAVASCRIPT = """await break case catch class const continue debugger default delete do else enum export extends false
finally for function if import in instanceof new null return super switch this throw true try typeof var void while
with yield let static implements interface package private protected public arguments eval undefined"""
# Lower-case words that compilers (in their gnu modes) or everyday headers define as macros. The first line stands in
# compilers of all kinds, in part from memory; the second is what gcc and clang define for their targets; the third
# stands in the headers of ISO C 7.8 to 7.30, of glibc, newlib and avr-libc; the last in <windows.h> and <winsock2.h>.
_MACROS = """linux unix i386 sparc sun vax mips arm near far small huge errno stdin stdout stderr complex imaginary
mc68000 tce
noreturn math_errhandling signgam tzname fd_set quad physadr basename h_addr h_errno s6_addr s6_addr16 s6_addr32
sa_handler sa_sigaction st_atime st_ctime st_mtime sched_priority d_fileno
environ cdecl pascal hyper interface exception_code exception_info abnormal_termination s_addr s_host s_net s_imp
s_impno s_lh s6_bytes s6_words"""
# ISO/IEC 9899 7.20 and 7.19 (C23: 7.22 and 7.21), which every header includes. In C++ a member of such a name changes
# what the type means in the struct; a macro's name is reserved where its header is included (7.1.3).
_TYPES = """int8_t int16_t int32_t int64_t uint8_t uint16_t uint32_t uint64_t int_least8_t int_least16_t int_least32_t
int_least64_t uint_least8_t uint_least16_t uint_least32_t uint_least64_t int_fast8_t int_fast16_t int_fast32_t
int_fast64_t uint_fast8_t uint_fast16_t uint_fast32_t uint_fast64_t intptr_t uintptr_t intmax_t uintmax_t size_t
ptrdiff_t max_align_t nullptr_t offsetof unreachable"""

# ECMA-262 20.1.3: what every object has without being given it, in plain lower case.
_INHERITED = "constructor"

# A header found before the system's own. ISO/IEC 9899 7.1.2 to C23; POSIX.1 chapter 13, those without a folder; the
# rest from memory.
_HEADERS = """assert complex ctype errno fenv float inttypes iso646 limits locale math setjmp signal stdalign stdarg
stdatomic stdbit stdbool stdckdint stddef stdint stdio stdlib stdnoreturn string tgmath threads time uchar wchar wctype
aio cpio dirent dlfcn endian fcntl fmtmsg fnmatch ftw glob grp iconv langinfo libgen libintl monetary mqueue ndbm netdb
nl_types poll pthread pwd regex sched search semaphore spawn strings syslog tar termios trace ulimit unistd utime utmpx
wordexp
alloca arduino features malloc memory windows"""
# Windows opens these devices whatever the suffix (from memory).
_DEVICES = "con prn aux nul " + " ".join(f"{port}{number}" for port in ("com", "lpt") for number in range(10))


def _reserved() -> dict[str, str]:
    words = dict.fromkeys(_MACROS.split(), "C: many compilers or headers define it")
    words |= dict.fromkeys(_TYPES.split(), "C: <stdint.h> or <stddef.h> defines it")
    words[_INHERITED] = "JavaScript: every object has it"
    words |= dict.fromkeys(_JAVASCRIPT.split(), "JavaScript")
    words |= {word.lower(): "Python" for word in keyword.kwlist}
    words |= dict.fromkeys(_CPP.split(), "C++")
    words |= dict.fromkeys(_C.split(), "C")
    return dict(sorted(words.items()))


RESERVED: dict[str, str] = _reserved()
"""Word -> the language that keeps it, with the reason where it is no keyword."""


def _taken_files() -> dict[str, str]:
    files = {word: f"{word}.h would hide a header of the system" for word in _HEADERS.split()}
    return files | {word: f"{word}.h is a device on Windows" for word in _DEVICES.split()}


TAKEN_FILES: dict[str, str] = _taken_files()
"""Word -> why no header can be called so."""

# Letters of other scripts that look like one of a to z (a part of Unicode's UTS #39, from memory), for suggestions.
_ALIKE = str.maketrans("асԁеһіјорԛѕԝхуαιορν", "acdehijopqswxyaiopv")
_SHOWN_LETTERS = 60


def fault_in_name(name: str) -> tuple[str, str] | None:
    """Say why a name cannot be used.

    name: the name of a frame, field or part. Returns (fault, help), or None when the name is good.
    """
    if not _PLAIN.match(name):
        return (f'"{_shown(name)}" is no name: {_strange(name)}', _suggestion(name))
    if name in RESERVED:
        return (f'"{name}" cannot be a name in {RESERVED[name]}', f'any other name, for example "the_{name}"')
    if name.endswith("_") or "__" in name:
        return (
            f'"{_shown(name)}" has two underscores together or one at the end, which C++ keeps for itself',
            _suggestion(name),
        )
    return None


def fault_in_protocol_name(name: str) -> tuple[str, str] | None:
    """The same for a protocol, whose name its header's file has, too."""
    if (fault := fault_in_name(name)) is not None or name not in TAKEN_FILES:
        return fault
    return (
        f'"{name}" cannot be the name of a header: {TAKEN_FILES[name]}',
        f'any other name, for example "the_{name}"',
    )


def fault_in_word(name: str) -> tuple[str, str] | None:
    """The same for the names of codes and special codes, which may be reserved words (they never stand alone)."""
    return None if name in RESERVED else fault_in_name(name)


def nearest(word: str, known: Iterable[str]) -> str | None:
    """The known word that is most like the one given, or None when none is near."""
    found = difflib.get_close_matches(word.lower(), list(known), n=1, cutoff=0.6)
    return found[0] if found else None


def _shown(name: str) -> str:
    """A wrong name on one line of any terminal: long ones cut, what cannot stand alone as an escape."""
    part = name if len(name) <= _SHOWN_LETTERS else name[:_SHOWN_LETTERS] + "…"
    alone = (letter.isprintable() and not unicodedata.combining(letter) for letter in part)
    return "".join(letter if good else ascii(letter)[1:-1] for letter, good in zip(part, alone, strict=True))


def _strange(name: str) -> str:
    """What is wrong; where a letter is of another script it may look right, so it is told by its own name."""
    for letter in name:
        if not letter.isascii():
            called = f"U+{ord(letter):04X} {unicodedata.name(letter, '')}".rstrip()
            return f"{called} is none of the letters a to z, digits and _"
    return "a small letter first, then small letters, digits and _"


def _suggestion(name: str) -> str:
    bare = unicodedata.normalize("NFKD", name[:_SHOWN_LETTERS]).lower().translate(_ALIKE)
    bare = "".join(letter for letter in bare if unicodedata.category(letter) not in ("Mn", "Me", "Cf"))
    plain = re.sub(r"[^a-z0-9]+", "_", bare).strip("_")
    if not plain or not plain[0].isalpha():
        plain = "a_" + plain if plain else "a_name"
    return f'for example "{"the_" * (plain in RESERVED) + plain}"'
