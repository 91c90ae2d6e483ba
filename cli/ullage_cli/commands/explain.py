"""Placeholder while the house is being built."""


def explain() -> None:
    """To come."""
