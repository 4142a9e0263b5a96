"""Power and smallest detectable change of planned trials, by simulation.

Response ln D, changes in per cent of size.  Each design is simulated without any change and judged
as `compare` judges a study (`designs`); two things are asked of it: whether a change from
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

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial
from itertools import groupby, islice, product
from math import copysign, sqrt

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy import special

from psdstats import limits
from psdstats.comparison.ordered import DEFAULT_MARGIN_PERCENT, LAST_STEP
from psdstats.comparison.plan import SpreadRule
from psdstats.errors import PlanError
from psdstats.frozen import Array
from psdstats.planning.designs import (
    FEWEST_FOR_LINES,
    IN_ORDER,
    Design,
    DesignPower,
    PowerQuestion,
    Variation,
    simulate_design,
)
from psdstats.present import Shown
from psdstats.processes import mapped

MOST_GROUPS, MOST_REPLICATES = 8, 4  # sought up to, where no more were asked for
_SLACK = 0.03  # Monte Carlo error of a power
_CURVE = 41  # points of a power curve, the middle one being what was asked


@dataclass(frozen=True, kw_only=True)
class Claim:
    """Something a design has to show.

    Parameters
    ----------
    of_step : bool
        Whether it is of the last step, not of the whole change.
    distance : float
        Distance of ln D at which it has to be shown.
    alpha : float
        One-sided level at which it is shown.
    power : float
        How often.
    """

    of_step: bool
    distance: float
    alpha: float
    power: float

    def holds(self, one: DesignPower) -> bool:
        """Whether it is shown often enough."""
        shown = one.step if self.of_step else one.change
        return bool(shown.power_at(self.distance)[0] >= self.power)

    def may_hold(self, design: Design, variation: Variation) -> bool:
        """Whether it could, if every variance were known."""
        own = variation.run_percent**2 + variation.measurement_percent**2
        variance = 2 * own / design.replicates + 2 * variation.group_time_percent**2
        steps = design.times - 1 if self.of_step else 1
        variance += (variation.drift_percent / steps) ** 2
        error = sqrt(variance / design.groups) / 100
        found = special.ndtr(self.distance / error + special.ndtri(self.alpha))
        return bool(found >= self.power - _SLACK)


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
    left_out : mapping of (int, int, int) to str
        Groups, times and replicates that cannot be planned, and why.

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
    left_out: Mapping[tuple[int, ...], str] = field(default_factory=dict)

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
        left = float(one.step.power_at(self._margin(margin_percent))[0])
        margin = copysign(one.step.smallest(self.wanted_power), self.change_percent)
        return {
            "margin_percent": margin_percent,
            "power_left": left,
            "power_left_error": float(one.step.error_of(left)),
            "enough_left": left >= self.wanted_power,
            "smallest_margin_percent": float(abs(100 * np.expm1(margin))),
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
        return self._curves("change", changes, [_distance(one) for one in changes])

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
        return self._curves("margin", margins, [self._margin(one) for one in margins])

    def _margin(self, percent: float) -> float:
        """A margin as a distance of ln D, in the direction of the change asked."""
        return _distance(copysign(percent, self.change_percent))

    def _curves(self, what: str, percent: Array, apart: Sequence[float]) -> pd.DataFrame:
        """Power of every design at these distances, which are those of changes or margins."""
        column, pieces = f"{what}_percent", []
        for one in self.designs:
            shown = one.change if what == "change" else one.step
            found = shown.power_at(apart)
            lower, upper = shown.interval_of(found)
            columns = {
                "design": " × ".join(map(str, vars(one.design).values())),
                **vars(one.design),
                "runs": one.design.runs,
                "power": found,
                "power_error": shown.error_of(found),
                "power_lower": lower,
                "power_upper": upper,
                column: percent,
                "asked": np.isclose(percent, getattr(self, column)),
            }
            pieces.append(pd.DataFrame(columns))
        return pd.concat(pieces, ignore_index=True)


def _distance(change_percent: float) -> float:
    return float(abs(np.log1p(change_percent / 100)))


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
        Where no design can answer, or a number is out of range.

    Examples
    --------
    >>> from psdstats.planning.power import Variation, power
    >>> result = power(Variation(run_percent=3), groups=3, times=3, replicates=1, trials=200)
    >>> result.to_frame()["runs"].tolist()
    [9]
    """
    _refuse(change_percent, margin_percent, alpha, wanted_power, trials, seed)
    asked, rule = PowerQuestion(question), _rule(spread)
    claims = _claims(change_percent, margin_percent, asked, alpha, wanted_power)
    designs, left_out = _designs(*map(_several, (groups, times, replicates)))
    simulate = partial(
        simulate_design,
        variation,
        question=asked,
        spread=rule,
        alpha=alpha,
        trials=trials,
        seed=seed,
    )
    simulated = _Simulations(simulate, partial(mapped, workers=workers, cluster=cluster))
    steps = len(designs) + seek_smallest
    results = []
    for found in simulated(designs):
        results.append(found)
        if progress is not None:
            progress(len(results), steps)
    seek = partial(find_smallest, designs, variation, rule, claims, simulated)
    smallest = seek() if seek_smallest else None
    if progress is not None:
        progress(steps, steps)
    return PowerResult(
        designs=tuple(results),
        variation=variation,
        change_percent=change_percent,
        margin_percent=margin_percent,
        question=str(asked),
        spread=str(rule),
        alpha=alpha,
        wanted_power=wanted_power,
        trials=trials,
        seed=seed,
        smallest=smallest,
        left_out=left_out,
    )


def _designs(*counts: tuple[int, ...]) -> tuple[list[Design], dict[tuple[int, ...], str]]:
    """Every combination that can be planned, and why each of the others cannot."""
    designs, left_out = list[Design](), dict[tuple[int, ...], str]()
    for one in product(*counts):
        try:
            designs.append(Design(groups=one[0], times=one[1], replicates=one[2]))
        except PlanError as why:
            left_out[one] = str(why)
    if not designs:
        raise PlanError(next(iter(left_out.values())))
    return designs, left_out


def _claims(
    change_percent: float,
    margin_percent: float | None,
    question: PowerQuestion,
    alpha: float,
    power: float,
) -> list[Claim]:
    """What a design has to show: the change, and that little was left, where a margin is given."""
    distance = _distance(change_percent)
    one_sided = alpha * (IN_ORDER if question is PowerQuestion.FALLEN else 0.5)
    claims = [Claim(of_step=False, distance=distance, alpha=one_sided, power=power)]
    if margin_percent is not None:
        distance, one_sided = _distance(copysign(margin_percent, change_percent)), LAST_STEP * alpha
        claims.append(Claim(of_step=True, distance=distance, alpha=one_sided, power=power))
    return claims


def find_smallest(
    asked: Sequence[Design],
    variation: Variation,
    spread: SpreadRule,
    claims: Sequence[Claim],
    simulated: Callable[[Sequence[Design]], Iterator[DesignPower]],
) -> Smallest:
    """Seek the smallest design, among the times and numbers of groups asked, then beyond them.

    It has to hold the first claim, of the change, and then all of them.
    """
    groups = [one.groups for one in asked]
    # fewer groups than asked, as long as they can still show how far they part
    fewest = min(*groups, FEWEST_FOR_LINES if spread is SpreadRule.DRIFTING else 2)
    most, most_groups = max(groups), max(*groups, MOST_GROUPS)
    replicates = max(MOST_REPLICATES, *(one.replicates for one in asked))
    times = sorted({one.times for one in asked})

    def sought(low: int, high: int, claims: Sequence[Claim]) -> list[Design]:
        counts = product(range(low, high + 1), times, range(1, replicates + 1))
        found = [Design(groups=g, times=t, replicates=r) for g, t, r in counts if g > 1 or r > 1]
        allowed = [one for one in found if one.allows_for(variation, spread)]
        could = [one for one in allowed if all(each.may_hold(one, variation) for each in claims)]
        return sorted(could, key=lambda one: one.runs)

    def first(claims: Sequence[Claim]) -> DesignPower | None:
        for low, high in ((fewest, most), (most + 1, most_groups)):
            designs = sought(low, high, claims)
            made = simulated(designs)
            for _, alike in groupby(designs, key=lambda one: one.runs):
                some = islice(made, len(list(alike)))
                found = [one for one in some if all(each.holds(one) for each in claims)]
                if found:
                    change = claims[0].distance
                    return max(found, key=lambda one: float(one.change.power_at(change)[0]))
        return None

    change = first(claims[:1])
    return Smallest(
        change=change,
        both=first(claims) if change is not None and len(claims) > 1 else None,
        asked_groups=(fewest, most),
        most_groups=most_groups,
        most_replicates=replicates,
    )


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
    change: float, margin: float | None, alpha: float, wanted_power: float, trials: int, seed: int
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
