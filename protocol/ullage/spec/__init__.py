"""From a spec file to a protocol: shape, faults with their places, fields, rows, advice, and the reference page."""
