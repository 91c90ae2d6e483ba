"""Placeholder while the house is being built."""


def check() -> None:
    """To come."""
