"""What `compare` and `check --deployed` say about two revisions."""
