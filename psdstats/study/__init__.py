"""A trial as data: reading files, typed records, bench checks, saving."""
