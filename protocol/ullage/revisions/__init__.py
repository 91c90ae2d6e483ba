"""Two revisions of a protocol beside each other: what changed on the wire, and who still understands whom."""
