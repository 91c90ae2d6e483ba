"""The Python module of a protocol."""
