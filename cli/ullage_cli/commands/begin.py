"""Placeholder while the house is being built."""


def begin() -> None:
    """To come."""
