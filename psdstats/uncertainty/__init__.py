"""Uncertainty sources, linear and Monte Carlo propagation, bootstrap, budget."""
