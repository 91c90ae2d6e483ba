"""Every C name is made by one function, never the bare name of a quantity, never a word that is taken."""

import re
import subprocess

import pytest

import ullage
from support.ends import need
from ullage.names import RESERVED
from ullage_codegen.c.header import model
from ullage_codegen.c.names import NameClash

SPEC = """
[protocol]
name = "farm"
[[frame]]
name = "report"
field = [{ name = "level", kind = "measure", %s }]
"""


def member(keys: str) -> str:
    """The C name of a measure with these keys."""
    return model(ullage.loads(SPEC % keys)).frames[0].members[0].name


@pytest.mark.parametrize(
    ("keys", "name"),
    [
        ('unit = "V", range = [2, 4.5], step = 0.01', "level_10mV"),
        ('unit = "mV", range = [0, 5000], step = 10', "level_10mV"),
        ('unit = "mm", range = [0, 500], step = 1', "level_mm"),
        ('unit = "mm", range = [0, 500], step = 5', "level_5mm"),
        ('unit = "mm", range = [0, 500], step = 0.5', "level_500um"),
        ('unit = "mm", range = [0, 5000], step = 1000', "level_m"),
        ('unit = "cm", range = [0, 500], step = 2', "level_2cm"),
        ('unit = "m", range = [-0.5, 2], step = 0.05', "level_50mm"),
        ('unit = "Cel", range = [-40, 85], step = 0.1', "level_100mCel"),
        ('unit = "kWh", range = [0, 10], step = 0.1', "level_100Wh"),
        ('unit = "µm", range = [0, 500], step = 20', "level_20um"),
        ('unit = "min", range = [0, 600], step = 15', "level_15min"),
        ('unit = "min", range = [0, 500], step = 0.5', "level_steps"),
        ('unit = "%RH", range = [0, 100], step = 1', "level_steps"),
        ('unit = "m3", range = [0, 100], step = 1', "level_steps"),
        ('unit = "l/min", range = [0, 100], step = 1', "level_steps"),
        ('unit = "mm", range = [0, 100], step = 2.5', "level_steps"),
        ('unit = "", range = [0, 100], step = 1', "level_steps"),
        ('unit = "dBm", range = [-120, 0], step = 1', "level_dBm"),
        ('unit = "cd", range = [0, 100], step = 1', "level_cd"),
        ('unit = "ft", range = [0, 100], step = 0.5', "level_steps"),
    ],
)
def test_a_member_is_named_after_its_step_and_unit(keys: str, name: str) -> None:
    assert member(keys) == name


def test_two_fields_that_would_be_one_member_are_refused_with_both_names() -> None:
    text = SPEC % 'unit = "mm", range = [0, 9], step = 1' + '[[frame.field]]\nname = "level_mm"\nkind = "flag"\n'
    text = text.replace("field = [", "[[frame.field]]\n").replace("{ name", "name").replace("step = 1 }]", "step = 1\n")
    text = re.sub(
        r'name = "level", kind = "measure", (.*)', lambda m: 'name = "level"\nkind = "measure"\n' + m[1], text
    )
    text = text.replace(", range", "\nrange").replace(", step", "\nstep")
    with pytest.raises(NameClash, match='"level" and "level_mm" of frame "report" would both be the member level_mm'):
        model(ullage.loads(text))


CLASHES = {
    "a frame called like the header's own struct": (
        'name = "message"',
        'field = [{ name = "on", kind = "flag" }]',
        "farm_message",
    ),
    "a special code called like a limit": (
        'name = "report"',
        'field = [{ name = "level", kind = "measure", unit = "mm", range = [0, 9], step = 1, special = ["lowest_mm"]}]',
        "FARM_REPORT_LEVEL_LOWEST_MM",
    ),
    "a choice called like the frame's length": (
        'name = "report"',
        'field = [{ name = "octets", kind = "flag" }, { name = "x", kind = "code", codes = { a = 1 } }]',
        None,
    ),
}


@pytest.mark.parametrize("case", CLASHES)
def test_a_clash_over_the_whole_header_is_refused(case: str) -> None:
    name, fields, clash = CLASHES[case]
    protocol = ullage.loads(f'[protocol]\nname = "farm"\n[[frame]]\n{name}\n{fields}\n')
    if clash is None:
        model(protocol)
        return
    with pytest.raises(NameClash, match=f"would both be called {clash} in C; rename one of them"):
        model(protocol)


def test_frame_and_field_that_together_read_alike_are_refused() -> None:
    protocol = ullage.loads(
        '[protocol]\nname = "farm"\n[header]\nfield = [{ name = "message", kind = "message", bits = 4 }]\n'
        '[[frame]]\nname = "a"\nmessage = 1\nfield = [{ name = "b_c", kind = "code", codes = { d = 1 } }]\n'
        '[[frame]]\nname = "a_b"\nmessage = 2\nfield = [{ name = "c", kind = "code", codes = { d = 1 } }]\n'
    )
    with pytest.raises(NameClash, match="FARM_A_B_C_D"):
        model(protocol)


@pytest.mark.parametrize(("compiler", "standard"), [("gcc", "gnu99"), ("g++", "gnu++11"), ("clang", "gnu99")])
def test_no_predefined_macro_of_a_gnu_mode_can_be_a_name(compiler: str, standard: str) -> None:
    need(compiler)
    language = "c++" if "++" in standard else "c"
    command = [compiler, f"-std={standard}", "-x", language, "-dM", "-E", "-"]
    headers = "#include <stdint.h>\n#include <stddef.h>\n#include <stdio.h>\n#include <errno.h>\n"
    printed = subprocess.run(command, input=headers, capture_output=True, text=True, check=True).stdout
    objects = set(re.findall(r"^#define ([a-z][a-z0-9_]*) ", printed, re.MULTILINE))
    assert "linux" in objects
    assert objects <= set(RESERVED)
