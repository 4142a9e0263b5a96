"""One module a command: its summary, an example, its options, and `run`."""
