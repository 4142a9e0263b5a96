"""Measurement part of a variation from simulated weighings of the expected powder.

Standard deviations of ln D in per cent.  What each sample has for itself (balance, particles) and
what samples on one stack share (apertures) are found by `planned_weighing` instead of being stated.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from psdstats.planning.expected_powder import ExpectedPowder
from psdstats.planning.plan_error import PlanError
from psdstats.planning.planned_weighing import (
    SIZES,
    FoundSize,
    PlannedWeighing,
    found_size,
    weigh_powder,
)
from psdstats.planning.trial_plan import Variation

__all__ = ["weighed_variation"]


def weighed_variation(
    variation: Variation,
    powder: ExpectedPowder,
    aperture_um: Sequence[float],
    weighing: PlannedWeighing,
    *,
    sample_g: float,
    quantity: str = "D50",
    stacks: int = 2000,
    seed: int = 0,
) -> Variation:
    """The variation with its measurement and its sieves as simulated weighings find them.

    Parameters
    ----------
    variation : Variation
        Stated, or from `variation_of`; what it says of runs and groups is kept, what it says of
        measurement and sieves is replaced.
    powder : ExpectedPowder
        The powder expected, at the time that matters most.
    aperture_um : sequence of float
        Sieves of every group's stack; each group has sieves of its own.
    weighing : PlannedWeighing
        Balance, particles, sieves.
    sample_g : float
        Mass put on the stack.
    quantity : {"D10", "D50", "D90", "span"}
        Which quantity.
    stacks : int, default=2000
        Simulated stacks, two samples on each.
    seed : int, default=0
        Seed of the simulation.

    Returns
    -------
    Variation

    Raises
    ------
    PlanError
        If the sieves do not bracket the quantity in every simulated sample.
    """
    if quantity not in SIZES:
        raise PlanError(f"there is no quantity {quantity!r}; choose from {', '.join(SIZES)}.")
    found = found_size(
        weigh_powder(powder, aperture_um, weighing, sample_g=sample_g, trials=stacks, seed=seed),
        quantity,
    )
    if found.share_open > 0:
        raise PlanError(
            f"the sieves leave {quantity} of {powder.name!r} open in {100 * found.share_open:.3g} "
            "% of simulated samples; choose a stack that brackets it."
        )
    return replace(
        variation,
        measurement_percent=found.own_percent,
        sieves_percent=found.shared_percent,
        source=f"{variation.source}; measurement: {_words(found, powder, weighing, sample_g)}",
    )


def _words(
    found: FoundSize, powder: ExpectedPowder, weighing: PlannedWeighing, sample_g: float
) -> str:
    error = found.u_change_error_percent / np.sqrt(2)
    return (
        f"simulated weighings of {sample_g:g} g of {powder.name!r}, {weighing.words}, own part of "
        f"{found.quantity} {found.own_percent:.2g} ± {error:.1g} %"
    )
