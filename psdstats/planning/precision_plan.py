"""Balance resolution and sample mass that a wanted uncertainty of a size, or of a change, asks for.

Masses in g, sizes in µm, uncertainties as standard uncertainties of ln D in per cent.  For one run
of an expected powder on a stack, by the law of JCGM 100:

    u² = A d²/M² + B/M + C + I

d scale interval, M sample mass; A from two readings a class (rounding, and repeatability as a
multiple of d), B from the finite number of particles (Var m_i = m_i μ_i), C from the apertures
(certificate, else the tolerance of the standard as rectangular), I from what the undersize curve
may do between the sieves; sensitivities and I are those of the evaluation's law, on average over
simulated samples.  C and I stay whatever the balance and the sample.

For the change from one stated powder to another on the same sieves, A and B count for both, C takes
the difference of the two sensitivities to each aperture, I the joint law of both curves.  Between
like powders C and I are 0: the limit for changes too small to move the curve.

The linear law can be off where the balance is coarse: every resolution and sample mass is simulated
beside it (`planned_samples`) and judged by that.  By a prescribed rule I is 0, and the size is the
size by that rule.

Not counted: linearity of the balance, splitting of the sample, losses, run-to-run variation of the
mill.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from math import inf, sqrt

import numpy as np
import pandas as pd

from psdstats import limits
from psdstats.columns import QUANTITIES
from psdstats.errors import PlanError
from psdstats.planning.planned_samples import (
    ExpectedPowder,
    LawCheck,
    PlannedSizes,
    PlannedWeighing,
    check_law,
    planned_sizes,
    rising_apertures,
)
from psdstats.present import Shown
from psdstats.processes import mapped

_TO_LAW = 6  # samples of each powder, balance and mass given to the law
CHANGE_PERCENT = -10.0  # where no change is stated; that of `power` too (our choice)


@dataclass(frozen=True, kw_only=True)
class PrecisionLaw:
    """The four constants of the module's formula, for a size or for a change.

    Parameters
    ----------
    balance, particles, sieves, between : float
        A, B (g), C and I.
    """

    balance: float
    particles: float
    sieves: float = 0.0
    between: float = 0.0

    @property
    def floor_percent(self) -> float:
        """What no better balance and no larger sample can remove."""
        return 100 * sqrt(self.sieves + self.between)

    def u_percent(self, resolution_g: float, sample_g: float) -> float:
        """Standard uncertainty with a balance and a sample."""
        return sqrt(sum(part**2 for part in self.parts_percent(resolution_g, sample_g).values()))

    def parts_percent(self, resolution_g: float, sample_g: float) -> dict[str, float]:
        """What balance, particles, sieves and the curve between them contribute."""
        return {
            "balance": 100 * sqrt(self.balance) * resolution_g / sample_g,
            "particles": 100 * sqrt(self.particles / sample_g),
            "sieves": 100 * sqrt(self.sieves),
            "between": 100 * sqrt(self.between),
        }

    def room(self, wanted_percent: float) -> float:
        """Variance left for balance and particles; not above zero where the sieves take it all."""
        return (wanted_percent / 100) ** 2 - self.sieves - self.between

    def least_sample_g(self, wanted_percent: float, resolution_g: float) -> float:
        """Smallest sample for the wanted uncertainty at a resolution; inf where none will do."""
        room = self.room(wanted_percent)
        if room <= 0:
            return inf
        square = self.balance * resolution_g**2
        return (self.particles + sqrt(self.particles**2 + 4 * square * room)) / (2 * room)


def precision_law(sizes: PlannedSizes, quantity: str, *, change: bool = False) -> PrecisionLaw:
    """The law for one percentile of the first powder, or for its change to the second."""
    at = QUANTITIES.index(quantity)
    rows = [0, 1] if change else [0]
    by_share, by_aperture = sizes.found.by_share[rows, at], sizes.found.by_ln_aperture[rows, at]
    moved = by_aperture[-1] - by_aperture[0] if change else by_aperture[0]
    particle_g = sizes.weighing.particle_g(sizes.aperture_um)
    u_ln_aperture = sizes.weighing.u_ln_aperture(sizes.aperture_um)
    return PrecisionLaw(
        balance=sizes.weighing.reading_variance * float((by_share**2).sum()),
        particles=float((by_share**2 * sizes.share[rows] * particle_g).sum()),
        sieves=float((moved**2 * u_ln_aperture**2).sum()),
        between=sizes.between_variance(rows[-1], quantity, change=change)[0],
    )


@dataclass(frozen=True, kw_only=True, repr=False)
class PrecisionPlan(Shown):
    """What balance and sample a wanted uncertainty asks for.

    Parameters
    ----------
    quantity : str
        "D10", "D50" or "D90".
    wanted_percent : float
        Wanted standard uncertainty, per cent.
    powder, to : ExpectedPowder
        The powder, and the one it changes to.
    change_stated : bool
        Whether the change was stated, or is the usual one.
    weighing : PlannedWeighing
        Particles, repeatability, sieves, and the rule where one is prescribed.
    resolution_g, sample_g : tuple of float
        What is tabulated.
    cells : dict of (float, float) to PlannedSizes
        Simulated samples of both powders with every resolution and sample mass.
    check : LawCheck or None
        What the law itself makes of some of the samples; None by a rule.
    trials, seed : int
        Simulated stacks a cell, with two samples of each powder on it; seed of the simulation.

    Examples
    --------
    >>> from psdstats.planning import ExpectedPowder, precision
    >>> powder = ExpectedPowder(name="raw", d10_um=80, d50_um=200, d90_um=450)
    >>> few = {"resolution_g": [0.01], "sample_g": [25.0], "trials": 100}
    >>> plan = precision(powder, [63, 125, 250, 500], wanted_percent=3, **few)
    >>> plan.quantity, plan.resolution_g
    ('D50', (0.01,))
    """

    quantity: str
    wanted_percent: float
    powder: ExpectedPowder
    to: ExpectedPowder
    change_stated: bool
    weighing: PlannedWeighing
    resolution_g: tuple[float, ...]
    sample_g: tuple[float, ...]
    cells: dict[tuple[float, float], PlannedSizes]
    check: LawCheck | None
    trials: int
    seed: int

    @property
    def sizes_um(self) -> tuple[float, float]:
        """The percentile of the powder, and of the one it changes to, µm."""
        column = QUANTITIES.index(self.quantity)
        return self.powder.percentiles_um[column], self.to.percentiles_um[column]

    def law(self, resolution_g: float, *, change: bool = False) -> PrecisionLaw:
        """The linear law of a balance, with the sensitivities found with the largest sample.

        Parameters
        ----------
        resolution_g : float
            One of `resolution_g`.
        change : bool, default=False
            Whether the uncertainty of the change is wanted, not that of a size.

        Examples
        --------
        >>> from psdstats.planning import ExpectedPowder, precision
        >>> powder = ExpectedPowder(name="raw", d10_um=80, d50_um=200, d90_um=450)
        >>> few = {"resolution_g": [0.01], "sample_g": [25.0], "trials": 100}
        >>> plan = precision(powder, [63, 125, 250, 500], wanted_percent=3, **few)
        >>> type(plan.law(0.01)).__name__
        'PrecisionLaw'
        """
        cell = self.cells[resolution_g, max(self.sample_g)]
        return precision_law(cell, self.quantity, change=change)

    def to_frame(self) -> pd.DataFrame:
        """One row a resolution and sample mass: simulated u, its error, the law, whether enough.

        Examples
        --------
        >>> from psdstats.planning import ExpectedPowder, precision
        >>> powder = ExpectedPowder(name="raw", d10_um=80, d50_um=200, d90_um=450)
        >>> few = {"resolution_g": [0.01], "sample_g": [25.0], "trials": 100}
        >>> plan = precision(powder, [63, 125, 250, 500], wanted_percent=3, **few)
        >>> len(plan.to_frame())
        1
        """
        return pd.DataFrame([self._row(*cell) for cell in self.cells])

    def _row(self, resolution_g: float, sample_g: float) -> dict[str, float]:
        own, name = (resolution_g, sample_g), self.quantity
        cell = self.cells[own]
        size, (u_change, error) = cell.size(0, name), cell.change(1, name)
        law, change_law = (precision_law(cell, name, change=change) for change in (False, True))
        return {
            "resolution_g": resolution_g,
            "sample_g": sample_g,
            "u_percent": size.u_percent,
            "u_error_percent": size.u_error_percent,
            "u_law_percent": law.u_percent(*own),
            **_parts("u", law.parts_percent(*own)),
            "enough": size.u_percent <= self.wanted_percent,
            "u_change_percent": u_change,
            "u_change_error_percent": error,
            "u_change_law_percent": change_law.u_percent(*own),
            **_parts("u_change", change_law.parts_percent(*own)),
            "enough_for_change": u_change <= self.wanted_percent,
            "u_change_alike_percent": size.alike_percent,
            "share_open": size.share_open,
        }

    def law_frame(self, *, change: bool = False) -> pd.DataFrame:
        """Linear law as curves, for a figure: series (resolution in words), sample_g, u_percent.

        Parameters
        ----------
        change : bool, default=False
            Whether the uncertainty of the change is wanted, not that of a size.

        Examples
        --------
        >>> from psdstats.planning import ExpectedPowder, precision
        >>> powder = ExpectedPowder(name="raw", d10_um=80, d50_um=200, d90_um=450)
        >>> few = {"resolution_g": [0.01], "sample_g": [25.0], "trials": 100}
        >>> plan = precision(powder, [63, 125, 250, 500], wanted_percent=3, **few)
        >>> plan.law_frame().columns.tolist()
        ['series', 'resolution_g', 'sample_g', 'u_percent']
        """
        masses = np.geomspace(min(self.sample_g) / 1.5, max(self.sample_g) * 1.5, 61).tolist()
        columns = ["series", "resolution_g", "sample_g", "u_percent"]
        laws = {d: self.law(d, change=change) for d in self.resolution_g}
        rows = [
            (f"{d:g} g", d, mass, law.u_percent(d, mass))
            for d, law in laws.items()
            for mass in masses
        ]
        return pd.DataFrame(rows, columns=columns)

    def simulated_frame(self, *, change: bool = False) -> pd.DataFrame:
        """What was simulated, for a figure: as `law_frame`, and u_error_percent.

        Parameters
        ----------
        change : bool, default=False
            Whether the uncertainty of the change is wanted, not that of a size.

        Examples
        --------
        >>> from psdstats.planning import ExpectedPowder, precision
        >>> powder = ExpectedPowder(name="raw", d10_um=80, d50_um=200, d90_um=450)
        >>> few = {"resolution_g": [0.01], "sample_g": [25.0], "trials": 100}
        >>> plan = precision(powder, [63, 125, 250, 500], wanted_percent=3, **few)
        >>> plan.simulated_frame().columns.tolist()
        ['series', 'resolution_g', 'sample_g', 'u_percent', 'u_error_percent']
        """
        frame, start = self.to_frame(), "u_change" if change else "u"
        return pd.DataFrame(
            {
                "series": [f"{d:g} g" for d in frame["resolution_g"]],
                "resolution_g": frame["resolution_g"],
                "sample_g": frame["sample_g"],
                "u_percent": frame[f"{start}_percent"],
                "u_error_percent": frame[f"{start}_error_percent"],
            }
        ).dropna()

    def needs_frame(self) -> pd.DataFrame:
        """One row a resolution: smallest sample by the law for a size and for the change, g.

            inf where no sample is large enough.

        Examples
        --------
        >>> from psdstats.planning import ExpectedPowder, precision
        >>> powder = ExpectedPowder(name="raw", d10_um=80, d50_um=200, d90_um=450)
        >>> few = {"resolution_g": [0.01], "sample_g": [25.0], "trials": 100}
        >>> plan = precision(powder, [63, 125, 250, 500], wanted_percent=3, **few)
        >>> plan.needs_frame().columns.tolist()
        ['resolution_g', 'least_sample_g', 'least_sample_for_change_g']
        """
        needs = {
            name: [
                self.law(d, change=change).least_sample_g(self.wanted_percent, d)
                for d in self.resolution_g
            ]
            for name, change in (("least_sample_g", False), ("least_sample_for_change_g", True))
        }
        return pd.DataFrame({"resolution_g": self.resolution_g, **needs})


def _parts(start: str, parts: Mapping[str, float]) -> dict[str, float]:
    return {f"{start}_{name}_percent": value for name, value in parts.items()}


def changed_powder(powder: ExpectedPowder, percent: float) -> ExpectedPowder:
    """The powder with every size changed alike, its spread kept."""
    if limits.CHANGE_PERCENT.require("change", percent) == 0:
        raise PlanError("the change is 0 %; give the change that is to be seen.")
    sizes = [one * (1 + percent / 100) for one in powder.percentiles_um]
    d10_um, d50_um, d90_um = sizes
    return ExpectedPowder(
        name=f"{powder.name} {percent:+g} %", d10_um=d10_um, d50_um=d50_um, d90_um=d90_um
    )


def precision(
    powder: ExpectedPowder,
    aperture_um: Sequence[float],
    *,
    wanted_percent: float,
    to: ExpectedPowder | float | None = None,
    weighing: PlannedWeighing | None = None,
    quantity: str = "D50",
    resolution_g: Sequence[float] = (0.1, 0.01, 0.001),
    sample_g: Sequence[float] = (10.0, 25.0, 50.0, 100.0),
    trials: int = 256,
    seed: int = 0,
    progress: Callable[[int, int], None] | None = None,
    workers: int = 1,
    cluster: str | None = None,
) -> PrecisionPlan:
    """Uncertainty of a percentile and of its change against balance resolution and sample mass.

    Parameters
    ----------
    powder : ExpectedPowder
        The powder expected.
    aperture_um : sequence of float
        Sieves of the stack, any order, two or more.
    wanted_percent : float
        Wanted standard uncertainty, per cent.
    to : ExpectedPowder, float or None
        What the powder changes to: another powder, or a change of all its sizes in per cent; None
        takes -10 %.
    weighing : PlannedWeighing, optional
        Particles, repeatability and sieves; its resolution is replaced by each of `resolution_g`.
    quantity : {"D10", "D50", "D90"}
        Which percentile.
    resolution_g, sample_g : sequence of float
        Scale intervals and sample masses tabulated.
    trials : int, default=256
        Simulated stacks for each of them, two samples of each powder on it.
    seed : int, default=0
        Seed; all cells share it, so that they differ by what is asked and less by chance.
    progress : callable or None
        Called with (cells done, cells in all).
    workers, cluster
        Who does the work, as in `psdstats.processes.mapped`; the result is the same.

    Returns
    -------
    PrecisionPlan

    Raises
    ------
    PlanError
        If the stack does not bracket the percentile, or a number is out of range.

    Examples
    --------
    >>> from psdstats.planning import ExpectedPowder, precision
    >>> powder = ExpectedPowder(name="raw", d10_um=80, d50_um=200, d90_um=450)
    >>> few = {"resolution_g": [0.01], "sample_g": [25.0], "trials": 100}
    >>> plan = precision(powder, [63, 125, 250, 500], wanted_percent=3, **few)
    >>> plan.to_frame()[["resolution_g", "sample_g", "enough"]].head(2)
       resolution_g  sample_g  enough
    0          0.01      25.0    True
    """
    weighing = PlannedWeighing() if weighing is None else weighing
    limits.DECLARED_PERCENT.require("wanted uncertainty", wanted_percent)
    after = to
    if not isinstance(after, ExpectedPowder):
        after = changed_powder(powder, CHANGE_PERCENT if after is None else after)
    pairs = [
        (limits.RESOLUTION_G.require("resolution", d), limits.MASS_G.require("sample mass", mass))
        for d in resolution_g
        for mass in sample_g
    ]
    _require_bracketed((powder, after), aperture_um, quantity)
    cell = partial(_cell, (powder, after), aperture_um, weighing, trials, seed)
    found: dict[tuple[float, float], PlannedSizes] = {}
    for pair, made in zip(
        pairs, mapped(cell, pairs, workers=workers, cluster=cluster), strict=True
    ):
        found[pair] = made
        if progress is not None:
            progress(len(found), len(pairs))
    return PrecisionPlan(
        quantity=quantity,
        wanted_percent=float(wanted_percent),
        powder=powder,
        to=after,
        change_stated=to is not None,
        weighing=weighing,
        resolution_g=tuple(float(one) for one in resolution_g),
        sample_g=tuple(float(one) for one in sample_g),
        cells=found,
        check=check_law(list(found.values()), [quantity]),
        trials=trials,
        seed=seed,
    )


def _cell(
    powders: Sequence[ExpectedPowder],
    aperture_um: Sequence[float],
    weighing: PlannedWeighing,
    trials: int,
    seed: int,
    balance_and_sample: tuple[float, float],
) -> PlannedSizes:
    """Samples simulated with one resolution and one sample mass."""
    resolution_g, sample_g = balance_and_sample
    return planned_sizes(
        powders,
        aperture_um,
        replace(weighing, resolution_g=resolution_g),
        sample_g=sample_g,
        trials=trials,
        seed=seed,
        to_law=_TO_LAW,
    )


def _require_bracketed(
    powders: tuple[ExpectedPowder, ExpectedPowder], aperture_um: Sequence[float], quantity: str
) -> None:
    if quantity not in QUANTITIES[:3]:
        raise PlanError(f"there is no size {quantity!r} to plan for; choose D10, D50 or D90.")
    finest, *_, coarsest = rising_apertures(aperture_um)
    for one, remedy in zip(powders, ("", ", or a smaller change"), strict=True):
        if not finest <= one.percentiles_um[QUANTITIES.index(quantity)] <= coarsest:
            raise PlanError(
                f"{quantity} of {one.name!r} is not bracketed by {finest:g} to {coarsest:g} µm; "
                f"choose a stack that brackets it{remedy}."
            )
