"""Words that figures write themselves, longer than the name of an axis."""

WEIGHING_ORDER = "weighing of the empty sieve, in order"


def late_day(clock: str) -> str:
    """By when a day at the bench has ended, mostly."""
    return f"ended by {clock} on 9 of 10 simulated days"
