"""The command line: one module a command; it prints, asks and draws, and decides nothing."""
