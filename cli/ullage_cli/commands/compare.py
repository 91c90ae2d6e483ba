"""`ullage compare`: what changed between two revisions of a spec, and who still understands whom.

With --json it prints one JSON document: a list with one object for each comparison, {"old", "new", "same",
"revision_clash", "misread", "finding", "change_first", "built_for_both", "frames"}
  old, new       {"file", "name", "revision", "fingerprint"}
  misread        the names of frames that one end silently reads wrongly; finding: the exit code would be 1
  change_first   "receiver", "sender", "together" or "any"; built_for_both: whether such a receiver needs both revisions
  frames         [{"old", "new", "changes", "before", "after", "new_reads_old", "old_reads_new", "both_reads_old",
                 "both_reads_new"}]: names or null; changes [{"name", "text"}]; costs {"least_octets", "octets",
                 "air_ms"}; and what becomes of the frames, null where there is nothing to say:
                 {"verdict": "understands", "understands some", "refuses" or "misreads", "understood", "refused"
                 [{"reason", "octets", "text", "field"}], "misread" [{"field", "sent", "read", "octets"}], "unseen",
                 "passes_by_luck_once_in"}
"""

from pathlib import Path
from typing import Annotated, Any

import typer

from ..comparing.given import Given, deployed, given, renames
from ..screen import Stop, say


def compare(
    old: Annotated[str, typer.Argument(metavar="OLD", help="A spec, a folder of deployed ones, or - to read one.")],
    new: Annotated[str, typer.Argument(metavar="SPEC", help="The spec as it shall be.")],
    renamed: Annotated[
        list[str] | None, typer.Option("--renamed", metavar="OLD=NEW", help="Two names that mean the same.")
    ] = None,
    json: Annotated[bool, typer.Option("--json", help="Print one JSON document instead.")] = False,
    markdown: Annotated[bool, typer.Option("--markdown", help="Print a page for a review instead.")] = False,
) -> None:
    """Say what changed on the wire, and what each end makes of the other's frames.

    Frames of both revisions are given to the real decoders. Exit code 1: one end can misread the other silently, or
    one revision number names two layouts. A folder holds the specs that are deployed, one file a revision.

    \b
    Example:
      ullage compare deployed/ spec/orchard.toml
      git show HEAD:spec/orchard.toml | ullage compare - spec/orchard.toml
    """
    from ullage.revisions.compare import compare as hold_beside

    if json and markdown:
        raise Stop("--json and --markdown: give one of them")
    if Path(new).is_dir():
        raise Stop(f"{new}: this is a folder; only the first of the two may be one")
    if old != "-" and not Path(old).exists():
        raise Stop(f"{old}: there is no such file or folder")
    now = given(new)
    before = deployed(old, now.protocol.name) if Path(old).is_dir() else [given(old)]
    same_names = renames(renamed or [], before, now)
    found = [(one, hold_beside(one.protocol, now.protocol, same_names)) for one in before]
    if json:
        _print_json(found, now)
    elif markdown:
        from ..comparing.markdown import markdown as page

        for one, comparison in found:
            for line in page(comparison, one, now):
                say(line)
    else:
        from ..comparing.table import show

        for number, (one, comparison) in enumerate(found):
            if number:
                say()
            show(comparison, one, now)
    if any(comparison.finding for _, comparison in found):
        raise typer.Exit(1)


def _print_json(found: list[tuple[Given, Any]], new: Given) -> None:
    import json

    from ullage.revisions.as_data import as_data

    whole = []
    for old, comparison in found:
        data = as_data(comparison)
        for key, one in (("old", old), ("new", new)):
            data[key] = {"file": one.name, **data[key]}
        whole.append(data)
    say(json.dumps(whole, indent=2))
