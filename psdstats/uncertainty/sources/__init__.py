"""The sources of uncertainty, one module each."""
