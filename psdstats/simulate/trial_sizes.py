"""Many trials at the level of their sizes: ln D of every run, without curves, sieves or readings.

Standard deviations are of the natural logarithm of a size (0.05 is about 5 %).  A trial is
complete: every group does every time in every replicate.  Nothing changes with time here; a change
is added by whoever asks about one.  Data made here are invented.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np

from psdstats.errors import SizeError
from psdstats.frozen import Array


@dataclass(frozen=True, kw_only=True)
class SizeSpread:
    """How groups and runs differ, as standard deviations of ln D.

    Parameters
    ----------
    run : float, default=0
        From run to run within a group at one time.
    group : float, default=0
        Between groups, the same at all times.
    group_time : float, default=0
        Between groups at each time anew.
    drift : float, default=0
        Between groups at the last time, of the lines along which they drift apart: zero at the
        first time and as much more at each following one.
    reading : float, default=0
        Of the measurement, each run for itself.
    sieves : float, default=0
        Of the measurement, shared by all runs of a group.
    """

    run: float = 0.0
    group: float = 0.0
    group_time: float = 0.0
    drift: float = 0.0
    reading: float = 0.0
    sieves: float = 0.0

    def __post_init__(self) -> None:
        for item in fields(self):
            value = getattr(self, item.name)
            if not 0 <= value < float("inf"):
                raise SizeError(f"SizeSpread.{item.name} is {value}; give a number of 0 or more.")


def simulate_ln_sizes(
    spread: SizeSpread,
    *,
    groups: int,
    times: int,
    replicates: int,
    trials: int,
    seed: int | np.random.SeedSequence | np.random.Generator,
) -> Array:
    """Draw ln D of every run of many independent trials, about a mean of 0.

    Shapes: gives (trials, groups, times, replicates).

    Examples
    --------
    >>> from psdstats.simulate.trial_sizes import SizeSpread, simulate_ln_sizes
    >>> drawn = simulate_ln_sizes(
    ...     SizeSpread(run=0.03, group=0.04), groups=4, times=5, replicates=2, trials=5000, seed=1
    ... )
    >>> drawn.shape, round(float(drawn.std()), 3)  # √(0.03² + 0.04²)
    ((5000, 4, 5, 2), 0.05)
    """
    counts = {"groups": groups, "times": times, "replicates": replicates, "trials": trials}
    for name, count in counts.items():
        if count < 1:
            raise SizeError(f"simulate_ln_sizes was asked for {count} {name}; ask for 1 or more.")
    rng = np.random.default_rng(seed)
    shared = rng.standard_normal((2, trials, groups, 1, 1))
    lines = rng.standard_normal((trials, groups, 1, 1))
    cells = rng.standard_normal((trials, groups, times, 1))
    own = rng.standard_normal((2, trials, groups, times, replicates))
    place = np.linspace(0.0, 1.0, times)[:, None] if times > 1 else np.zeros((1, 1))
    drawn: Array = (
        spread.group * shared[0]
        + spread.sieves * shared[1]
        + spread.drift * lines * place
        + spread.group_time * cells
        + spread.run * own[0]
        + spread.reading * own[1]
    )
    return drawn
