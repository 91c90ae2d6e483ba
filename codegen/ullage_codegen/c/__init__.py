"""The C header of a protocol, and what belongs to it."""
