"""Templates as every generator reads them: strict about names, whole lines for statements, text as it stands."""

from collections.abc import Callable
from pathlib import Path

import jinja2


def environment(room: str, *, escape: bool = False, **filters: Callable[..., str]) -> jinja2.Environment:
    """The templates beside a module. room: the module's own `__file__`. escape: for HTML. filters: name -> function."""
    made = jinja2.Environment(
        loader=jinja2.FileSystemLoader(Path(room).parent / "templates"),
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
        autoescape=escape,
    )
    made.filters.update(filters)
    return made
