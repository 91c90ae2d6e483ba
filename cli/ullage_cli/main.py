"""The command `ullage`: names the commands, and turns every expected failure into one clear sentence and an exit code.

0 the work was done · 1 a finding (check, compare, --verify, --strict) · 2 a wrong request · 130 Ctrl-C.
"""

import io
import os
import sys

import typer

from .commands import begin, check, compare, decode, emit, encode, explain, key, sheet, simulate
from .screen import ReaderGone, Stop, complain

OVERVIEW = """\
ullage: one description of a radio message, and everything that must agree about its octets

start   begin
write   check, emit, sheet
read    encode, decode, explain, simulate
weigh   compare
seal    key

ullage COMMAND --help says more, with an example.
"""

app = typer.Typer(
    name="ullage",
    no_args_is_help=False,
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    help="One description of a radio message, and everything that must agree about its octets.",
)


@app.callback(invoke_without_command=True)
def overview(
    context: typer.Context,
    version: bool = typer.Option(False, "--version", help="Print the version and stop."),
) -> None:
    """One description of a radio message, and everything that must agree about its octets."""
    if version:
        from ullage import __version__

        typer.echo(f"ullage {__version__}")
    elif context.invoked_subcommand is None:
        typer.echo(OVERVIEW, nl=False)


app.command("begin")(begin.begin)
app.command("check")(check.check)
app.command("compare")(compare.compare)
app.add_typer(emit.app, name="emit")
app.command("encode", context_settings={"ignore_unknown_options": True})(encode.encode)
app.command("decode")(decode.decode)
app.command("explain")(explain.explain)
app.add_typer(key.app, name="key")
app.command("sheet")(sheet.sheet)
app.command("simulate")(simulate.simulate)


def run() -> None:
    """Run the command line and leave with its exit code."""
    sys.exit(main(sys.argv[1:]))


def main(arguments: list[str]) -> int:
    """Run one command.

    arguments: the words after `ullage`. Returns the exit code; nothing that a user can cause ends in a traceback.
    """
    from ullage import UllageError

    # A closed standard stream is None in Python.
    if sys.stderr is None:
        sys.stderr = io.StringIO()
    if sys.stdout is None:
        complain("standard output is closed")
        return 2
    try:
        code = app(arguments, standalone_mode=True)
    except SystemExit as leave:
        code = leave.code
    except Stop as stop:
        complain(stop)
        code = stop.code
    except UllageError as error:
        complain(str(error))
        code = 2
    except ReaderGone:
        # Python would complain again when it closes the pipe at the end.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        code = 0
    except KeyboardInterrupt:
        code = 130
    except OSError as error:
        said = str(error.strerror or error)
        complain(f"{error.filename}: {said.lower()}" if error.filename else said)
        code = 2
    return code if isinstance(code, int) else 0
