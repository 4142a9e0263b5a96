"""The psdstats command: parses, calls the library, writes."""
