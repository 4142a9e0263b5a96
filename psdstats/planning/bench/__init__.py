"""Mill charge and bench timeline: the day at the bench, before it begins."""
