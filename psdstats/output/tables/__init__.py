"""Tables: one frame, six ways to write it, the same numbers in all."""
