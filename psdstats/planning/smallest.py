"""The smallest trial that is enough: fewest runs, in groups × replicates.

Designs are taken in the order of their runs and simulated until one is enough.  A design whose
chance would be too low even if every variance were known is not simulated, and one whose analysis
does not allow for all that varies is not considered: it would look good by erring too often.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from itertools import groupby, islice, product
from math import sqrt
from typing import Any

from scipy import special

from psdstats.comparison.ordered import LAST_STEP
from psdstats.comparison.plan import SpreadRule
from psdstats.planning.design_power import IN_ORDER, DesignPower, PowerQuestion
from psdstats.planning.variation import FEWEST_FOR_LINES, Design, Variation

MOST_GROUPS, MOST_REPLICATES = 8, 4  # sought up to, where no more were asked for
_SLACK = 0.03  # Monte Carlo error of a power


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
