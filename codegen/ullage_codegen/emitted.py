"""What an emitter gives: a file's name and its whole text, the same for the same spec and tool version."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Emitted:
    """One file to write. remark: what is said beside its name once it is written, "" for nothing."""

    file_name: str
    text: str
    remark: str = ""
