"""Placeholder while the house is being built."""


def encode() -> None:
    """To come."""
