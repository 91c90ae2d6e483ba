"""Frames in what receivers print: lines as they arrive, and the octets in each."""
