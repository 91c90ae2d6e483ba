"""The JavaScript module of a protocol."""
