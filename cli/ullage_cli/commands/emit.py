"""Placeholder while the house is being built."""


def emit() -> None:
    """To come."""
