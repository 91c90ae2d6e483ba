"""What `ullage decode` is made of: where lines come from, what is counted, and where they go."""
