"""Ullage."""
