"""Power and smallest detectable change of planned trials, by simulation.

Response ln D, changes in per cent of size.  Each design is simulated without any change and judged
as `compare` judges a study (`design_power`); two things are asked of it: whether a change from
the first to the last time is shown, and whether less than a margin is shown to be left after a
last step that is truly level.

The smallest design that is enough is sought in the order of runs, in groups × replicates.  A design
whose chance would be too low even if every variance were known is not simulated, and one whose
analysis does not allow for all that varies is not considered: it would look good by erring too
often.

Not covered: incomplete designs, further factors, single runs of one group, percentiles the sieves
do not bracket.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from itertools import groupby, islice, product
from math import sqrt
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy import special

from psdstats import limits
from psdstats.comparison.ordered import DEFAULT_MARGIN_PERCENT, LAST_STEP
from psdstats.comparison.plan import SpreadRule
from psdstats.errors import PlanError
from psdstats.planning.design_power import (
    IN_ORDER,
    DesignPower,
    PowerQuestion,
    ShownAcross,
    simulate_design,
)
from psdstats.planning.variation import FEWEST_FOR_LINES, Design, Variation
from psdstats.present import Shown
from psdstats.processes import mapped

MOST_GROUPS, MOST_REPLICATES = 8, 4  # sought up to, where no more were asked for
_SLACK = 0.03  # Monte Carlo error of a power
_CURVE = 41  # points of a power curve, the middle one being what was asked


@dataclass(frozen=True, kw_only=True)
class Wanted:
    """What a design has to show.

    Parameters
    ----------
    change : float
        Distance of ln D from first to last time.
    margin : float or None
        Margin of the last step, where that is asked.
    question, spread, alpha, power
        As in `psdstats.planning.power`.
    """

    change: float
    margin: float | None
    question: PowerQuestion
    spread: SpreadRule
    alpha: float
    power: float

    @property
    def asked(self) -> dict[str, Any]:
        """What a simulation is asked, as `simulate_design` takes it."""
        return {"question": self.question, "spread": self.spread, "alpha": self.alpha}

    def shows_change(self, one: DesignPower) -> bool:
        """Whether the change is shown often enough."""
        return bool(one.change.power_at(self.change)[0] >= self.power)

    def shows_left(self, one: DesignPower) -> bool:
        """Whether that little was left after a level last step is shown often enough."""
        if self.margin is None:
            return False
        return bool(one.step.power_at(self.margin)[0] >= self.power)

    def may_show_change(self, design: Design, variation: Variation) -> bool:
        """Whether it could, if every variance were known."""
        share = IN_ORDER if self.question is PowerQuestion.FALLEN else 0.5
        error = _known_error(design, variation, step=1.0)
        return self._could(self.change / error, share * self.alpha)

    def may_show_left(self, design: Design, variation: Variation) -> bool:
        """Whether it could, if every variance were known."""
        if self.margin is None:
            return False
        error = _known_error(design, variation, step=1.0 / (design.times - 1))
        return self._could(self.margin / error, LAST_STEP * self.alpha)

    def _could(self, distance: float, alpha: float) -> bool:
        return bool(special.ndtr(distance + special.ndtri(alpha)) >= self.power - _SLACK)


@dataclass(frozen=True, kw_only=True)
class Smallest:
    """The smallest designs that are enough; None where none of those sought is.

    Parameters
    ----------
    change : DesignPower or None
        To show the change.
    both : DesignPower or None
        To show the change, and that little was left after a last step that is level.
    asked_groups : (int, int)
        Fewest and most groups sought first; more only where these were not enough.
    most_groups, most_replicates : int
        Up to which it was sought.
    """

    change: DesignPower | None
    both: DesignPower | None
    asked_groups: tuple[int, int]
    most_groups: int
    most_replicates: int


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class PowerResult(Shown):
    """Power and smallest detectable change of each design.

    Parameters
    ----------
    designs : tuple of DesignPower
        The designs, in the order asked.
    variation : Variation
        What the simulation assumed.
    change_percent, margin_percent, question, spread, alpha, wanted_power, trials, seed
        As asked.
    smallest : Smallest or None
        The smallest design that is enough, where it was sought.

    Examples
    --------
    >>> from psdstats.planning.power import Variation, power
    >>> result = power(Variation(run_percent=3), groups=3, times=3, replicates=1, trials=200)
    >>> [one.design.runs for one in result.designs]
    [9]
    """

    designs: tuple[DesignPower, ...]
    variation: Variation
    change_percent: float
    margin_percent: float | None
    question: str
    spread: str
    alpha: float
    wanted_power: float
    trials: int
    seed: int
    smallest: Smallest | None = None

    @property
    def missed(self) -> tuple[DesignPower, ...]:
        """Designs whose analysis does not allow for all that is assumed to vary."""
        return tuple(
            one for one in self.designs if not one.design.allows_for(self.variation, self.spread)
        )

    def to_frame(self) -> pd.DataFrame:
        """One row a design: its size, what it shows how often, and the least that it shows.

        Examples
        --------
        >>> from psdstats.planning.power import Variation, power
        >>> result = power(Variation(run_percent=3), groups=3, times=3, replicates=1, trials=200)
        >>> result.to_frame()[["replicates", "runs", "enough"]]
           replicates  runs  enough
        0           1     9   False
        """
        return pd.DataFrame([self._row(one) for one in self.designs])

    def _row(self, one: DesignPower) -> dict[str, float]:
        shown = float(one.change.power_at(_distance(self.change_percent))[0])
        smallest = one.change.smallest(self.wanted_power)
        error = one.change.smallest_error(self.wanted_power)
        left = {} if self.margin_percent is None else self._left(one, self.margin_percent)
        return {
            **vars(one.design),
            "runs": one.design.runs,
            "change_percent": self.change_percent,
            "power": shown,
            "power_error": float(one.change.error_of(shown)),
            "enough": shown >= self.wanted_power,
            "detectable_increase_percent": float(100 * np.expm1(smallest)),
            "detectable_decrease_percent": float(-100 * np.expm1(-smallest)),
            "detectable_error_percent": float(100 * error * np.exp(-smallest)),
            **left,
            "standard_error_percent": float(100 * np.median(one.standard_error)),
            "df": float(np.median(one.df)),
        }

    def _left(self, one: DesignPower, margin_percent: float) -> dict[str, float]:
        left = float(one.step.power_at(_margin(margin_percent, self.change_percent))[0])
        margin = one.step.smallest(self.wanted_power)
        return {
            "margin_percent": margin_percent,
            "power_left": left,
            "power_left_error": float(one.step.error_of(left)),
            "enough_left": left >= self.wanted_power,
            "smallest_margin_percent": _margin_percent(margin, self.change_percent),
        }

    def curve_frame(self, change_percent: ArrayLike | None = None) -> pd.DataFrame:
        """Power against change, for a figure: one row a design (in words) and change.

        Parameters
        ----------
        change_percent : array_like, optional
            Changes of size, per cent, above -100; by default from none to twice the change asked.

        Examples
        --------
        >>> from psdstats.planning.power import Variation, power
        >>> result = power(Variation(run_percent=3), groups=3, times=3, replicates=1, trials=200)
        >>> len(result.curve_frame([-5, -10]))
        2
        """
        if change_percent is None:
            largest = np.log1p(self.change_percent / 100)
            changes = 100 * np.expm1(np.linspace(0, 2 * largest, _CURVE))
        else:
            changes = np.atleast_1d(np.asarray(change_percent, dtype=float))
        apart = np.abs(np.log1p(changes / 100))
        pieces = [
            _curve(one, one.change, apart).assign(change_percent=changes) for one in self.designs
        ]
        found = pd.concat(pieces, ignore_index=True)
        return found.assign(asked=np.isclose(found["change_percent"], self.change_percent))

    def margin_frame(self) -> pd.DataFrame:
        """Power to show that less than a margin was left after a level last step.

        One row a design (in words) and margin, from none to twice the margin asked; no row where
        none was.

        Examples
        --------
        >>> from psdstats.planning.power import Variation, power
        >>> result = power(Variation(run_percent=3), groups=3, times=3, replicates=1, trials=200)
        >>> "margin_percent" in result.margin_frame()
        True
        """
        if self.margin_percent is None:
            return pd.DataFrame()
        margins = np.linspace(0, 2 * self.margin_percent, _CURVE)
        apart = np.array([_margin(one, self.change_percent) for one in margins])
        pieces = [
            _curve(one, one.step, apart).assign(margin_percent=margins) for one in self.designs
        ]
        found = pd.concat(pieces, ignore_index=True)
        return found.assign(asked=np.isclose(found["margin_percent"], self.margin_percent))


def _curve(one: DesignPower, shown: ShownAcross, apart: ArrayLike) -> pd.DataFrame:
    power = shown.power_at(apart)
    lower, upper = shown.interval_of(power)
    return pd.DataFrame(
        {
            "design": " × ".join(map(str, vars(one.design).values())),
            **vars(one.design),
            "runs": one.design.runs,
            "power": power,
            "power_error": shown.error_of(power),
            "power_lower": lower,
            "power_upper": upper,
        }
    )


def _distance(change_percent: float) -> float:
    return float(abs(np.log1p(change_percent / 100)))


def _margin(margin_percent: float, change_percent: float) -> float:
    """The margin as a distance of ln D, in the direction of the change asked."""
    way = -1.0 if change_percent < 0 else 1.0
    return float(abs(np.log1p(way * margin_percent / 100)))


def _margin_percent(apart: float, change_percent: float) -> float:
    way = -1.0 if change_percent < 0 else 1.0
    return float(abs(100 * np.expm1(way * apart)))


def power(
    variation: Variation,
    *,
    groups: int | Sequence[int] = 4,
    times: int | Sequence[int] = 5,
    replicates: int | Sequence[int] = (1, 2, 3),
    change_percent: float = -10.0,
    margin_percent: float | None = DEFAULT_MARGIN_PERCENT,
    question: PowerQuestion | str = PowerQuestion.FALLEN,
    spread: SpreadRule | str = SpreadRule.DRIFTING,
    alpha: float = 0.05,
    wanted_power: float = 0.8,
    seek_smallest: bool = False,
    trials: int = 2000,
    seed: int = 0,
    progress: Callable[[int, int], None] | None = None,
    workers: int = 1,
    cluster: str | None = None,
) -> PowerResult:
    """Chance of showing a change, and the smallest change likely to be shown, for each design.

    Parameters
    ----------
    variation : Variation
        Standard deviations, stated or from `variation_of`.
    groups, times, replicates : int or sequence of int
        Every combination is one design.
    change_percent : float, default=-10
        Change of size from the first to the last time, per cent; above -100 and not 0.  Its sign
        is the direction in which the size is expected to go.
    margin_percent : float or None, default=5
        Gain too small to go on for: asked is, too, how often less than it is shown to be left
        after a last step that is truly level.  None asks nothing of the last step, as of span,
        which has no direction.
    question : {"fallen by the end", "each against first", "last against first"}
        The last time against the first: in the direction of the change, as the first step of the
        ordered answers (four fifths of alpha); two-sided within the family of all times against
        the first (Dunnett); or two-sided, that contrast alone.
    spread : {"drifting", "pooled"}
        Whether the analysis lets groups drift apart where three hold three times.
    alpha : float, default=0.05
        Level of the answer.
    wanted_power : float, default=0.8
        Power that is enough.
    seek_smallest : bool, default=False
        Whether to seek the smallest groups × replicates that are enough, at the times asked.
    trials : int, default=2000
        Simulated trials a design.
    seed : int, default=0
        Seed; designs are simulated independently of each other.
    progress : callable or None
        Called with (designs done, designs in all).
    workers, cluster
        Who does the work, as in `psdstats.processes.mapped`; the result is the same.

    Returns
    -------
    PowerResult

    Raises
    ------
    PlanError
        For a design that cannot answer, or a number out of range.

    Examples
    --------
    >>> from psdstats.planning.power import Variation, power
    >>> result = power(Variation(run_percent=3), groups=3, times=3, replicates=1, trials=200)
    >>> result.to_frame()["runs"].tolist()
    [9]
    """
    _refuse(change_percent, margin_percent, alpha, wanted_power, trials, seed)
    wanted = Wanted(
        change=_distance(change_percent),
        margin=None if margin_percent is None else _margin(margin_percent, change_percent),
        question=PowerQuestion(question),
        spread=_rule(spread),
        alpha=alpha,
        power=wanted_power,
    )
    designs = [
        Design(groups=g, times=t, replicates=r)
        for g, t, r in product(_several(groups), _several(times), _several(replicates))
    ]
    simulate = partial(simulate_design, variation, trials=trials, seed=seed, **wanted.asked)
    simulated = _Simulations(simulate, partial(mapped, workers=workers, cluster=cluster))
    steps = len(designs) + seek_smallest
    results = []
    for found in simulated(designs):
        results.append(found)
        if progress is not None:
            progress(len(results), steps)
    smallest = find_smallest(designs, variation, wanted, simulated) if seek_smallest else None
    if progress is not None:
        progress(steps, steps)
    return PowerResult(
        designs=tuple(results),
        variation=variation,
        change_percent=change_percent,
        margin_percent=margin_percent,
        question=str(wanted.question),
        spread=str(wanted.spread),
        alpha=alpha,
        wanted_power=wanted_power,
        trials=trials,
        seed=seed,
        smallest=smallest,
    )


def find_smallest(
    asked: Sequence[Design],
    variation: Variation,
    wanted: Wanted,
    simulated: Callable[[Sequence[Design]], Iterator[DesignPower]],
) -> Smallest:
    """Seek the smallest design, among the times and numbers of groups asked, then beyond them."""
    groups = [one.groups for one in asked]
    # fewer groups than asked, as long as they can still show how far they part
    fewest = min(*groups, FEWEST_FOR_LINES if wanted.spread is SpreadRule.DRIFTING else 2)
    most, most_groups = max(groups), max(*groups, MOST_GROUPS)
    replicates = max(MOST_REPLICATES, *(one.replicates for one in asked))
    times = sorted({one.times for one in asked})

    def sought(low: int, high: int) -> list[Design]:
        counts = product(range(low, high + 1), times, range(1, replicates + 1))
        found = [Design(groups=g, times=t, replicates=r) for g, t, r in counts if g > 1 or r > 1]
        return sorted(
            (one for one in found if one.allows_for(variation, wanted.spread)),
            key=lambda one: one.runs,
        )

    def first(
        could: Callable[[Design], bool], enough: Callable[[DesignPower], bool]
    ) -> DesignPower | None:
        for low, high in ((fewest, most), (most + 1, most_groups)):
            designs = list(filter(could, sought(low, high)))
            made = simulated(designs)
            for _, alike in groupby(designs, key=lambda one: one.runs):
                found = [one for one in islice(made, len(list(alike))) if enough(one)]
                if found:
                    return max(found, key=lambda one: float(one.change.power_at(wanted.change)[0]))
        return None

    change = first(lambda one: wanted.may_show_change(one, variation), wanted.shows_change)
    both = None
    if change is not None:
        both = first(
            lambda one: (
                wanted.may_show_change(one, variation) and wanted.may_show_left(one, variation)
            ),
            lambda one: wanted.shows_change(one) and wanted.shows_left(one),
        )
    return Smallest(
        change=change,
        both=both,
        asked_groups=(fewest, most),
        most_groups=most_groups,
        most_replicates=replicates,
    )


def _known_error(design: Design, variation: Variation, *, step: float) -> float:
    """Standard error of a difference over a share of the order, were every variance known."""
    own = variation.run_percent**2 + variation.measurement_percent**2
    variance = 2 * own / design.replicates + 2 * variation.group_time_percent**2
    variance += (step * variation.drift_percent) ** 2
    return sqrt(variance / design.groups) / 100


class _Simulations:
    """Simulates designs, each only once."""

    def __init__(
        self, simulate: Callable[[Design], DesignPower], share: Callable[..., Iterator[DesignPower]]
    ) -> None:
        self._simulate, self._share = simulate, share
        self._known: dict[Design, DesignPower] = {}

    def __call__(self, designs: Sequence[Design]) -> Iterator[DesignPower]:
        new = [one for one in designs if one not in self._known]
        made = self._share(self._simulate, new)
        for one in designs:
            if one not in self._known:
                self._known[one] = next(made)
            yield self._known[one]


def _refuse(
    change: float,
    margin: float | None,
    alpha: float,
    wanted_power: float,
    trials: int,
    seed: int,
) -> None:
    """Refuse numbers out of range."""
    if limits.CHANGE_PERCENT.require("change", change) == 0:
        raise PlanError("the change is 0 %; give the change that is to be seen.")
    if margin is not None:
        limits.GAIN_PERCENT.require("margin", margin)
    limits.PLAN_ALPHA.require("alpha", alpha)
    limits.POWER.require("wanted power", wanted_power)
    limits.TRIALS.require("trials", trials)
    limits.SEED.require("seed", seed)


def _rule(spread: SpreadRule | str) -> SpreadRule:
    rule = SpreadRule(spread)
    if rule is SpreadRule.EACH_CONTRAST:
        raise PlanError(
            "a plan by each contrast's own differences is not simulated; plan with drifting or "
            "pooled spread."
        )
    return rule


def _several(value: int | Sequence[int]) -> tuple[int, ...]:
    values = (value,) if isinstance(value, int | float | np.integer) else tuple(value)
    if not values:
        raise PlanError("an empty list of designs was given; name at least one number.")
    return tuple(int(limits.COUNT.require("a number of the design", one)) for one in values)
