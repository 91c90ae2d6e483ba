"""One module a command. Each imports what is heavy only when it runs, so that --help answers at once."""
