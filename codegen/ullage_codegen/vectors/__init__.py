"""Test vectors of a protocol."""
