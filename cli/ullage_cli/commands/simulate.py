"""Placeholder while the house is being built."""


def simulate() -> None:
    """To come."""
