"""What is true of simulated runs, in the quantities an evaluation estimates.

D10, D50 and D90 in µm and the span (D90 − D10)/D50 without unit.  Two truths are told apart: the
percentile of the true curve, and the percentile that the interpolation rule of the study gives
when apertures and class masses are known exactly; their difference is the interpolation error.

A simulated trial as a study with its truth, and many trials at once as arrays.

What lies on each sieve and what the balance shows of it: true apertures, a finite number of
particles, lost powder; every plate empty and loaded, on the balance of its run, with its errors of
sensitivity, linearity, repeatability and rounding.

Arrays run over trials T, runs R, classes K (pan first), plates P (sieves and pans) and balances B.
Not done: incomplete sieving, particles stuck in the mesh, wear of a sieve during the trial, drift
and creep of a balance, static charge, air buoyancy.

Units: µm, g, min.  Everything random comes from one seed; the same design and seed give the same
study.  Data made here are invented: they stand for no real powder, mill or laboratory.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from decimal import Decimal

import numpy as np
import pandas as pd

from psdstats.columns import BALL_RATIO, QUANTITIES, QUANTITY_UNITS
from psdstats.distribution.curves import InterpolationRule, ln_sizes, undersize_of_masses
from psdstats.errors import SizeError
from psdstats.frozen import Array, Flags
from psdstats.sieves.standards import Sieve, tolerance_um
from psdstats.simulate.curve import LEVELS, TrueCurves, mean_curves, random_curves
from psdstats.simulate.design import Layout, TrialDesign, lay_out
from psdstats.study.records import Place, Reading, Run, Study, TareHandling


@dataclass(frozen=True, kw_only=True, eq=False)
class Apertures:
    """Apertures of the plates in T trials, µm, 0 for pans.

    Attributes
    ----------
    true_um : ndarray, shape (T, P)
        What the sieve does.
    certified_um : ndarray, shape (T, P)
        What its certificate says; NaN without one.
    expanded_um : ndarray, shape (P,)
        Expanded uncertainty (k = 2) of that certificate.
    """

    true_um: Array
    certified_um: Array
    expanded_um: Array

    def best_um(self, layout: Layout) -> Array:
        """The certified aperture where there is one, else the nominal, shape (T, P)."""
        return np.where(np.isnan(self.certified_um), layout.plate_um, self.certified_um)


def draw_apertures(
    design: TrialDesign, layout: Layout, trials: int, rng: np.random.Generator
) -> Apertures:
    """True and certified apertures of every physical sieve."""
    plates = layout.plate_um.size
    tolerance, expanded = np.zeros(plates), np.full(plates, np.nan)
    decimals = np.ones(plates, dtype=int)
    start = 0
    for sieves in design.sieve_sets:
        nominal = np.array(sieves.apertures_um)
        here: slice | Flags = slice(start + 1, start + 1 + nominal.size)
        tolerance[here] = [tolerance_um(um, standard=sieves.standard) for um in nominal]
        if sieves.certificate_percent is not None:
            decimals[here] = sieves.certificate_decimals
            expanded[here] = np.round(
                nominal * sieves.certificate_percent / 100, sieves.certificate_decimals
            )
        start += nominal.size + 1
    true_um = layout.plate_um + tolerance * rng.uniform(-1, 1, (trials, plates))
    certified = true_um + expanded / 2 * rng.standard_normal((trials, plates))
    for digits in np.unique(decimals):
        here = decimals == digits
        certified[:, here] = np.round(certified[:, here], digits)
    return Apertures(true_um=true_um, certified_um=certified, expanded_um=expanded)


def gather(by_plate: Array, layout: Layout, *, pad: float) -> Array:
    """Lay values by plate, shape (T, P), out by run and class, (T, R, K), `pad` where unused."""
    return np.where(layout.used, by_plate[:, np.maximum(layout.plate, 0)], pad)


def true_classes(curves: TrueCurves, aperture_um: Array) -> tuple[Array, Array]:
    """Mass fraction of every class and the mean mass of a particle in it.

    Shapes: aperture_um (T, R, K); gives (T, R, K).
    """
    passed_um = np.minimum.accumulate(aperture_um[..., ::-1], axis=-1)[..., ::-1]
    ends = np.concatenate([passed_um, np.full((*passed_um.shape[:2], 1), np.inf)], axis=-1)
    below, grain_below = curves.at(ends)
    fraction, grain = np.diff(below, axis=-1), np.diff(grain_below, axis=-1)
    return fraction, grain / np.where(fraction > 0, fraction, 1.0)


def sample_particles(
    fraction: Array, particle_g: Array, sample_g: Array, rng: np.random.Generator
) -> Array:
    """Class masses of a sample: Poisson numbers of particles, scaled to the mass of the sample.

    Shapes: fraction, particle_g (..., K), sample_g (...); gives (..., K).

    Notes
    -----
    With particle masses μ the covariance of the shares is, to first order, ``M Cov(w_i, w_k) =
    δ_ik w_i μ_i − w_i w_k (μ_i + μ_k) + w_i w_k Σ_j w_j μ_j`` (P. M. Gy, Sampling of Particulate
    Materials, 1982; from memory).
    """
    expected_g = fraction * sample_g[..., None]
    counted = particle_g > 0
    unit = np.where(counted, particle_g, 1.0)
    number = rng.poisson(np.where(counted, expected_g / unit, 0.0))
    mass = np.where(counted, number * unit, expected_g)
    return np.asarray(mass * (sample_g / mass.sum(axis=-1))[..., None])


def lose_powder(net_g: Array, loss_percent: tuple[float, float], rng: np.random.Generator) -> Array:
    """Masses left after a loss: a random share of it from the pan, the rest in proportion.

    Shapes: net_g (..., K); gives (..., K).
    """
    shape = net_g.shape[:-1]
    lost = rng.uniform(*loss_percent, shape) / 100
    from_pan = lost * rng.uniform(0, 1, shape)
    left = net_g * (1 - (lost - from_pan))[..., None]
    left[..., 0] = np.maximum(left[..., 0] - from_pan * net_g.sum(axis=-1), 0.0)
    return left


@dataclass(frozen=True, kw_only=True, eq=False)
class Readings:
    """What was written down in T trials, g, and the truth behind it.

    Attributes
    ----------
    tare_g, gross_g : ndarray, shape (T, R, K)
        Readings; 0 where a stack has fewer classes.
    sample_g : ndarray, shape (T, R)
        Readings of the sample mass.
    fraction : ndarray, shape (T, R, K)
        Mass fractions that a lossless sieving of the whole lot would give.
    apertures : Apertures
        True and certified apertures.
    curves : TrueCurves
        True size curves.
    """

    tare_g: Array
    gross_g: Array
    sample_g: Array
    fraction: Array
    apertures: Apertures
    curves: TrueCurves


def weigh_trials(
    design: TrialDesign, layout: Layout, trials: int, rng: np.random.Generator
) -> Readings:
    """Readings of T independent trials of one design."""
    curves = random_curves(design, layout, trials, rng)
    apertures = draw_apertures(design, layout, trials, rng)
    fraction, particle_g = true_classes(curves, gather(apertures.true_um, layout, pad=np.inf))
    poured_g = design.sample_mass_g * (1 + 0.01 * rng.uniform(-1, 1, fraction.shape[:2]))
    net_g = sample_particles(fraction, particle_g, poured_g, rng)
    net_g = lose_powder(net_g, design.loss_percent, rng)
    read = _drawn_balances(layout, trials, rng)
    tare_g, gross_g = _read_plates(design, layout, net_g, read, rng)
    return Readings(
        tare_g=tare_g,
        gross_g=gross_g,
        sample_g=read(poured_g[..., None])[..., 0],
        fraction=fraction,
        apertures=apertures,
        curves=curves,
    )


def round_to(value_g: Array, step_g: float) -> Array:
    """Values rounded to a scale interval, with no more decimals than the interval itself.

    Examples
    --------
    >>> round_to(np.array([412.3372, 0.024]), 0.05)
    array([412.35,   0.  ])
    """
    decimals = max(0, -int(Decimal(str(step_g)).normalize().as_tuple().exponent))
    return np.asarray(np.round(np.round(value_g / step_g) * step_g, decimals))


def _drawn_balances(
    layout: Layout, trials: int, rng: np.random.Generator
) -> Callable[[Array], Array]:
    """What balances, drawn with their errors of sensitivity and linearity, show of loads.

    Shapes: takes and gives (T, R, K), each load on the balance of its run.
    """
    shape = (trials, len(layout.balances))
    slope = np.array([one.slope_u for one in layout.balances]) * rng.standard_normal(shape)
    bend = rng.uniform(-1, 1, shape)

    def read(load_g: Array) -> Array:
        noise, shown = rng.standard_normal(load_g.shape), np.empty_like(load_g)
        for b, balance in enumerate(layout.balances):
            here = np.flatnonzero(layout.balance == b)
            load = load_g[:, here]
            value = load * (1 + slope[:, b, None, None])
            if balance.capacity_g is not None and balance.linearity_g:
                part = load / balance.capacity_g
                bow = 4 * balance.linearity_g * part * (1 - part)
                value += bend[:, b, None, None] * bow
            value += balance.repeatability_g * noise[:, here]
            shown[:, here] = round_to(value, balance.resolution_g)
        return shown

    return read


def _read_plates(
    design: TrialDesign,
    layout: Layout,
    net_g: Array,
    read: Callable[[Array], Array],
    rng: np.random.Generator,
) -> tuple[Array, Array]:
    """Tare and gross readings; a plate tared once keeps the reading of its first run."""
    typical_g = np.concatenate(
        [np.full(len(sieves.apertures_um) + 1, sieves.tare_g) for sieves in design.sieve_sets]
    )
    trials, plates = net_g.shape[0], typical_g.size
    empty_g = typical_g * (1 + 0.15 * rng.uniform(-1, 1, (trials, plates)))
    load_g = gather(empty_g, layout, pad=0.0)
    tare_g = read(load_g)
    if design.tares == TareHandling.ONCE:
        used, first = np.unique(layout.plate, return_index=True)
        by_plate = np.zeros((trials, plates))
        by_plate[:, used[used >= 0]] = tare_g.reshape(trials, -1)[:, first[used >= 0]]
        tare_g = gather(by_plate, layout, pad=0.0)
    gross_g = read(load_g + net_g)
    return np.where(layout.used, tare_g, 0.0), np.where(layout.used, gross_g, 0.0)


def quantities_of(size_um: Array) -> Array:
    """D10, D50, D90 with the span appended, shape (..., 3) → (..., 4)."""
    d10, d50, d90 = np.moveaxis(size_um, -1, 0)
    return np.stack([d10, d50, d90, (d90 - d10) / d50], axis=-1)


def rule_sizes(mass: Array, aperture_um: Array, *, rule: str) -> Array:
    """D10, D50, D90 and span by an interpolation rule.

    Shapes: mass (T, R, K), aperture_um (T, R, K); gives (T, R, 4).
    """
    trials, runs, _ = mass.shape
    size = np.full((trials, runs, len(LEVELS)), np.nan)
    classes = np.isfinite(aperture_um[0]).sum(axis=-1)
    for count in np.unique(classes):
        here = np.flatnonzero(classes == count)
        rows = trials * here.size
        undersize = undersize_of_masses(mass[:, here, :count].reshape(rows, count))
        ln_aperture = np.log(aperture_um[:, here, 1:count].reshape(rows, count - 1))
        ln_size = ln_sizes(undersize, ln_aperture, np.array(LEVELS), InterpolationRule(rule))
        ln_size[~np.isfinite(ln_size)] = np.nan
        size[:, here] = np.exp(ln_size).reshape(trials, here.size, len(LEVELS))
    return quantities_of(size)


CHUNK = 64  # trials computed together; fixed, so that a seed means the same everywhere


@dataclass(frozen=True, kw_only=True, eq=False)
class SimulatedTrial:
    """One simulated study and what is true of it.

    Attributes
    ----------
    study : Study
        As a laboratory would have written it down.
    truth : DataFrame
        One row for each run and quantity: run, quantity, unit, true, typical (with every random
        difference at 0) and, where a rule is prescribed, by_rule.
    apertures : DataFrame
        sieve, nominal_um, true_um of every physical sieve.

    Examples
    --------
    >>> from psdstats.simulate import Bench, Powder, SieveSet, TrialDesign, simulate_study
    >>> from psdstats.simulate.design import Breakage
    >>> from psdstats.study import Balance
    >>> stack = SieveSet(name="Alder", apertures_um=(45.0, 90.0, 180.0, 355.0))
    >>> bench = Bench(name="Alder", sieves=stack, balance=Balance(name="b", resolution_g=0.01))
    >>> powder = Powder(breakage=Breakage(rate_per_min=0.05))
    >>> design = TrialDesign(benches=(bench,), powder=powder, times_min=(0.0, 12.0))
    >>> simulate_study(design, seed=1).truth.columns.tolist()
    ['run', 'quantity', 'unit', 'true', 'typical']
    """

    study: Study
    truth: pd.DataFrame
    apertures: pd.DataFrame


@dataclass(frozen=True, kw_only=True, eq=False)
class SimulatedMasses:
    """Net masses of many trials of one design, with their truth.

    Attributes
    ----------
    net_g : ndarray, shape (T, R, K)
        Net masses, pan first, apertures rising; 0 where a stack has fewer classes.
    aperture_um : ndarray, shape (T, R, K)
        The apertures an evaluation would use (certified, else nominal); 0 for the pan, inf
        where a stack has fewer classes.
    true : ndarray, shape (T, R, 4)
        True D10, D50, D90 (µm) and span of each run.
    """

    net_g: Array
    aperture_um: Array
    true: Array


def simulate_study(
    design: TrialDesign, *, seed: int | np.random.Generator, rule: str | None = None
) -> SimulatedTrial:
    """One trial: milled, sampled, sieved and weighed.

    Parameters
    ----------
    design : TrialDesign
        The trial.
    seed : int or numpy.random.Generator
        Source of everything random.
    rule : str, optional
        Rule that the study prescribes; the truth then has the sizes by that rule too.

    Returns
    -------
    SimulatedTrial

    Examples
    --------
    >>> from psdstats.simulate import Bench, Powder, SieveSet
    >>> from psdstats.simulate.design import Breakage
    >>> from psdstats.study.records import Balance
    >>> bench = Bench(
    ...     name="Alder",
    ...     sieves=SieveSet(name="Alder", apertures_um=(63.0, 125.0, 250.0, 500.0)),
    ...     balance=Balance(name="b", resolution_g=0.01),
    ... )
    >>> powder = Powder(breakage=Breakage(rate_per_min=0.05))
    >>> design = TrialDesign(benches=(bench,), powder=powder, times_min=(0.0, 12.0))
    >>> [run.name for run in simulate_study(design, seed=1).study.runs]
    ['alder-0min', 'alder-12min']
    """
    layout = lay_out(design)
    readings = weigh_trials(design, layout, 1, np.random.default_rng(seed))
    runs = len(layout.run_names)
    truth = pd.DataFrame(
        {
            "run": np.repeat(layout.run_names, len(QUANTITIES)),
            "quantity": np.tile(QUANTITIES, runs),
            "unit": np.tile(QUANTITY_UNITS, runs),
            "true": quantities_of(readings.curves.sizes()).ravel(),
            "typical": quantities_of(mean_curves(design, layout).sizes()).ravel(),
        }
    )
    if rule is not None:
        aperture_um = gather(readings.apertures.true_um, layout, pad=np.inf)
        truth["by_rule"] = rule_sizes(readings.fraction, aperture_um, rule=rule).ravel()
    sieve = layout.plate_um > 0
    apertures = pd.DataFrame(
        {
            "sieve": [key for key, um in zip(layout.plate_keys, sieve, strict=True) if um],
            "nominal_um": layout.plate_um[sieve],
            "true_um": readings.apertures.true_um[0][sieve],
        }
    )
    study = replace(_study(design, layout, readings), rule=rule)
    return SimulatedTrial(study=study, truth=truth, apertures=apertures)


def simulate_net_masses(design: TrialDesign, *, trials: int, seed: int) -> SimulatedMasses:
    """Net masses of many independent trials of one design."""
    if trials < 1:
        raise SizeError(f"simulate_net_masses was asked for {trials} trials; ask for 1 or more.")
    layout, pieces = lay_out(design), []
    for readings in many_readings(design, layout, trials=trials, seed=seed):
        net_g = readings.gross_g - readings.tare_g
        aperture_um = gather(readings.apertures.best_um(layout), layout, pad=np.inf)
        pieces.append((net_g, aperture_um, quantities_of(readings.curves.sizes())))
    net_g, aperture_um, true = map(np.concatenate, zip(*pieces, strict=True))
    return SimulatedMasses(net_g=net_g, aperture_um=aperture_um, true=true)


def many_readings(
    design: TrialDesign, layout: Layout, *, trials: int, seed: int
) -> Iterator[Readings]:
    """Readings of many independent trials, some at a time."""
    for number, child in enumerate(np.random.SeedSequence(seed).spawn(-(-trials // CHUNK))):
        size = min(CHUNK, trials - number * CHUNK)
        yield weigh_trials(design, layout, size, np.random.default_rng(child))


def _study(design: TrialDesign, layout: Layout, readings: Readings) -> Study:
    return Study(
        title=design.title,
        material=design.powder.name,
        runs=tuple(_run(design, layout, readings, r) for r in range(layout.bench.size)),
        sieves=_sieves(design, layout, readings),
        balances={balance.name: balance for balance in layout.balances},
        tares=design.tares,
        density_g_per_cm3=design.powder.density_g_per_cm3,
        shape_factor=design.powder.shape_factor,
        uncertainty=design.uncertainty,
    )


def _run(design: TrialDesign, layout: Layout, readings: Readings, r: int) -> Run:
    """Run r of the first trial, with the rows its readings would have in weighings.csv."""
    row = 2 + int(layout.used[:r].sum())
    plates = layout.plate[r][layout.used[r]]
    lines = tuple(
        Reading(
            sieve=layout.plate_keys[plate],
            aperture_um=float(layout.plate_um[plate]),
            tare_g=float(readings.tare_g[0, r, k]),
            gross_g=float(readings.gross_g[0, r, k]),
            place=Place("weighings.csv", row + k),
        )
        for k, plate in enumerate(plates)
    )
    factors = {BALL_RATIO: float(layout.ball_ratio[r])} if design.ball_ratios else {}
    return Run(
        name=layout.run_names[r],
        group=design.benches[layout.bench[r]].name,
        milling_time_min=float(layout.time_min[r]),
        readings=lines,
        balance=layout.balances[layout.balance[r]].name,
        replicate=layout.replicate_labels[r],
        charge=layout.charge_names[layout.charge[r]],
        sample_mass_g=float(readings.sample_g[0, r]),
        factors=factors,
    )


def _sieves(design: TrialDesign, layout: Layout, readings: Readings) -> dict[str, Sieve]:
    certified, expanded = readings.apertures.certified_um[0], readings.apertures.expanded_um
    standards = {bench.sieves.name: bench.sieves.standard for bench in design.benches}
    sieves = {}
    for p, key in enumerate(layout.plate_keys):
        if layout.plate_um[p] == 0:
            continue
        known = not np.isnan(certified[p])
        sieves[key] = Sieve(
            key=key,
            nominal_um=float(layout.plate_um[p]),
            certified_um=float(certified[p]) if known else None,
            expanded_uncertainty_um=float(expanded[p]) if known else None,
            standard=standards[key.rsplit(" ", 2)[0]],
        )
    return sieves
