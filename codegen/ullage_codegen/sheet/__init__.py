"""The data sheet of a protocol."""
