"""Placeholder while the house is being built."""


def decode() -> None:
    """To come."""
