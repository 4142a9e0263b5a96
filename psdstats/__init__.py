"""From sieve weighings of a milling trial to sizes with uncertainty, a verdict and a report."""

__version__ = "0.1.0"
