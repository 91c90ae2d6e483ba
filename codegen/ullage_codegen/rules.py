"""The rules that make a spec's header a part of somebody's build: text for CMake and for GNU make.

They are files of the user's own project, kept there with everything else, so that it builds without looking for ours.
"""

from pathlib import Path

import ullage

from .emitted import Emitted

_FILES = {
    "ullage.cmake": "include(ullage.cmake), then ullage_header(TARGET SPEC)",
    "ullage.mk": "include ullage.mk, then $(ullage_header) as the recipe of a header",
}


def emitted_rules() -> list[Emitted]:
    """The files, each with the tool's version. They are the same for every spec."""
    folder = Path(__file__).parent / "templates"
    return [
        Emitted(name, (folder / name).read_text(encoding="utf-8").replace("@VERSION@", ullage.__version__), remark)
        for name, remark in _FILES.items()
    ]
