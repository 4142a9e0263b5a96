"""The plans of `psdstats plan`, one module each: options, call, parts."""
