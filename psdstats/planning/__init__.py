"""Power and precision by simulation, sieve stacks, mill charge, bench timeline."""
