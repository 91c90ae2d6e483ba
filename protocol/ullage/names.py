"""Which names a spec may use: plain lower case, and no word that C, C++, Python or JavaScript keeps for itself."""

import difflib
import keyword
import re
from collections.abc import Iterable

_PLAIN = re.compile(r"[a-z][a-z0-9_]*\Z")

# ISO/IEC 9899:1999 6.4.1 and later editions; ISO/IEC 14882 [lex.key] with the alternative tokens.
_C = """auto break case char const continue default do double else enum extern float for goto if inline int long
register restrict return short signed sizeof static struct switch typedef union unsigned void volatile while
alignas alignof bool constexpr false nullptr static_assert thread_local true typeof typeof_unqual asm fortran"""
_CPP = """and and_eq asm bitand bitor catch char8_t char16_t char32_t class co_await co_return co_yield compl concept
const_cast consteval constinit decltype delete dynamic_cast explicit export friend mutable namespace new noexcept not
not_eq operator or or_eq private protected public reinterpret_cast requires static_cast template this throw try typeid
typename using virtual wchar_t xor xor_eq"""
# ECMA-262 12.7.2 (reserved words, strict mode too) and the two names that no binding may have.
_JAVASCRIPT = """await break case catch class const continue debugger default delete do else enum export extends false
finally for function if import in instanceof new null return super switch this throw true try typeof var void while
with yield let static implements interface package private protected public arguments eval undefined"""
# Lower-case words that compilers (in their gnu modes) or everyday system headers define as macros.
_MACROS = """linux unix i386 sparc sun vax mips arm near far small huge errno stdin stdout stderr complex imaginary"""


def _reserved() -> dict[str, str]:
    words = dict.fromkeys(_MACROS.split(), "C: many compilers or headers define it")
    words |= dict.fromkeys(_JAVASCRIPT.split(), "JavaScript")
    words |= {word.lower(): "Python" for word in keyword.kwlist}
    words |= dict.fromkeys(_CPP.split(), "C++")
    words |= dict.fromkeys(_C.split(), "C")
    return dict(sorted(words.items()))


RESERVED: dict[str, str] = _reserved()
"""Word -> the language that keeps it."""


def fault_in_name(name: str) -> tuple[str, str] | None:
    """Say why a name cannot be used.

    name: the name of a protocol, frame or field. Returns (fault, help), or None when the name is good.
    """
    if not _PLAIN.match(name):
        return (f'"{name}" is no name: a small letter first, then small letters, digits and _', _suggestion(name))
    if name in RESERVED:
        return (f'"{name}" cannot be a name in {RESERVED[name]}', f'any other name, for example "the_{name}"')
    if name.endswith("_") or "__" in name:
        return (
            f'"{name}" has two underscores together or one at the end, which C++ keeps for itself',
            _suggestion(name),
        )
    return None


def fault_in_word(name: str) -> tuple[str, str] | None:
    """The same for the names of codes and special codes, which may be reserved words (they never stand alone)."""
    return None if name in RESERVED else fault_in_name(name)


def nearest(word: str, known: Iterable[str]) -> str | None:
    """The known word that is most like the one given, or None when none is near."""
    found = difflib.get_close_matches(word.lower(), list(known), n=1, cutoff=0.6)
    return found[0] if found else None


def _suggestion(name: str) -> str:
    plain = re.sub(r"[^a-z0-9]+", "_", name.lower()).strip("_")
    if not plain or not plain[0].isalpha():
        plain = "a_" + plain if plain else "a_name"
    return f'for example "{plain}"'
