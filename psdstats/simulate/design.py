"""What a simulated trial consists of: breakage, benches, sieves, times, spreads and losses.

Units: aperture and size in µm, mass in g, time in min, density in g/cm³.  Spreads are standard
deviations of natural logarithms (0.05 is about 5 %).

First-order breakage in a batch mill, on size classes counted from the coarsest (i = 0) to the
finest, masses as fractions of the charge::

    dM_i/dt = -S_i M_i + sum_{j<i} b_ij S_j M_j

with the selection function ``S_i = s (x_i / x_ref)^a / (1 + (x_i / x_max)^L)`` (min⁻¹) and the
cumulative breakage function ``B_ij = φ r^γ + (1 − φ) r^β``, r being the upper edge of class i over
the lower edge of class j.  The finest class collects what breaks out of the grid and does not
break.  Sources, from memory: K. J. Reid, Chem. Eng. Sci. 20 (1965) 953 (batch grinding equation and
its closed solution); L. G. Austin, R. R. Klimpel and P. T. Luckie, Process Engineering of Size
Reduction: Ball Milling, 1984 (the two functions).  Not done: wet or continuous milling, slowing of
breakage as fines build up, agglomeration.

Index tables of a design have its runs in order, its physical sieves, and which run uses which.  A
class is a position in the stack, the pan first; a plate is a physical sieve or pan.  Shorter stacks
are padded at the coarse end with plate −1.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from itertools import product

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import gammaln

from psdstats.errors import SizeError
from psdstats.frozen import Array, Flags, Indices, ReadOnly
from psdstats.study.records import Balance, TareHandling


@dataclass(frozen=True, kw_only=True)
class Breakage:
    """How fast a size breaks and what it breaks into.

    Parameters
    ----------
    rate_per_min : float
        Selection s at the reference size, min⁻¹; above 0.
    reference_um : float, default=250
        Reference size x_ref, µm.
    size_exponent : float, default=1
        Exponent a of the selection function.
    falloff_um : float or None
        Size x_max near which particles become too large to be nipped; None for no fall-off.
    falloff_exponent : float, default=3
        Exponent L of that fall-off.
    fines_share : float, default=0.3
        φ, the share of the breakage product that follows the flatter power; 0 to 1.
    fines_exponent : float, default=1.2
        γ, the slope of the product at the fine end.
    coarse_exponent : float, default=4
        β, the slope of the product at the coarse end.
    """

    rate_per_min: float
    reference_um: float = 250.0
    size_exponent: float = 1.0
    falloff_um: float | None = None
    falloff_exponent: float = 3.0
    fines_share: float = 0.3
    fines_exponent: float = 1.2
    coarse_exponent: float = 4.0

    def __post_init__(self) -> None:
        positive = ("rate_per_min", "reference_um", "fines_exponent", "coarse_exponent")
        for name in positive:
            if not getattr(self, name) > 0:
                raise SizeError(f"Breakage.{name} is {getattr(self, name)}; give a value above 0.")
        if not 0 <= self.fines_share <= 1:
            raise SizeError(
                f"Breakage.fines_share is {self.fines_share}; give a value from 0 to 1."
            )
        if self.falloff_um is not None and not self.falloff_um > 0:
            raise SizeError(
                f"Breakage.falloff_um is {self.falloff_um}; give a size above 0 or None."
            )


def size_edges(coarsest_um: float, finest_um: float, *, per_octave: int = 12) -> Array:
    """Edges of geometric size classes, falling from the coarsest.

    Shapes: gives (n_edges,).

    Examples
    --------
    >>> size_edges(400, 100, per_octave=1)
    array([400., 200., 100.])
    """
    if not coarsest_um > finest_um > 0:
        raise SizeError(
            f"The size grid runs from {coarsest_um} µm down to {finest_um} µm; "
            "give a coarsest size above the finest and both above 0."
        )
    if per_octave < 1:
        raise SizeError(f"per_octave is {per_octave}; ask for at least 1 class an octave.")
    count = int(np.ceil(per_octave * np.log2(coarsest_um / finest_um) - 1e-9))
    return np.asarray(coarsest_um * np.exp2(-np.arange(count + 1) / per_octave))


def breakage_rates(edges_um: ArrayLike, breakage: Breakage) -> Array:
    """Selection function of every class, the last class (below the last edge) being 0.

    Shapes: edges_um (n_edges,); gives (n_edges,).
    """
    edges = np.asarray(edges_um, dtype=float)
    size = np.sqrt(edges[:-1] * edges[1:])
    rate = breakage.rate_per_min * (size / breakage.reference_um) ** breakage.size_exponent
    if breakage.falloff_um is not None:
        rate /= 1.0 + (size / breakage.falloff_um) ** breakage.falloff_exponent
    return np.append(rate, 0.0)


def rate_matrix(edges_um: ArrayLike, breakage: Breakage) -> Array:
    """Lower triangular matrix A of dM/dt = A M.

    Shapes: edges_um (n,); gives (n, n).
    """
    edges = np.asarray(edges_um, dtype=float)
    n = edges.size
    ratio = edges[:, None] / edges[None, 1:]  # upper edge of class i over lower edge of class j
    share = breakage.fines_share
    power = share * ratio**breakage.fines_exponent + (1 - share) * ratio**breakage.coarse_exponent
    finer = np.zeros((n + 1, n))  # B_ij; below the finest class nothing is left
    finer[:n, : n - 1] = np.where(ratio < 1.0 - 1e-12, power, 1.0)
    product = finer[:-1] - finer[1:]  # b_ij
    rates = breakage_rates(edges, breakage)
    return np.asarray(product * rates - np.diag(rates))


def mill(feed: ArrayLike, edges_um: ArrayLike, breakage: Breakage, *, time_min: ArrayLike) -> Array:
    """Class masses of a charge after milling.

    Shapes: feed (n,), edges_um (n,), time_min (...); gives (..., n).

    Notes
    -----
    M(t) = exp(At) M(0) is summed as ``Σ_k Poisson(k; Λt) (I + A/Λ)^k M(0)`` with Λ the largest
    rate (uniformisation).  Every term is non-negative, so nothing cancels, and two classes with
    equal rates do no harm, where the closed solution of Reid (1965) divides by their difference.
    """
    start = np.asarray(feed, dtype=float)
    edges = np.asarray(edges_um, dtype=float)
    time = np.asarray(time_min, dtype=float)
    if start.shape != edges.shape:
        raise SizeError(
            f"The feed has {start.size} classes and the grid {edges.size}; "
            "give one mass for each edge, the last for what lies below the last edge."
        )
    if not np.all(np.isfinite(time) & (time >= 0)):
        raise SizeError(f"A milling time is {np.min(time)} min; give finite times from 0 upwards.")
    matrix = rate_matrix(edges, breakage)
    top_rate = float(-matrix.diagonal().min())
    events = top_rate * time.ravel()
    last = float(events.max(initial=0.0))
    count = int(last + 12 * np.sqrt(last) + 40)
    step = np.eye(edges.size) + matrix / top_rate
    powers = np.empty((count, edges.size))
    powers[0] = start
    for k in range(1, count):
        powers[k] = step @ powers[k - 1]
    return np.asarray(_poisson(events, count) @ powers).reshape(*time.shape, edges.size)


def _poisson(mean: Array, count: int) -> Array:
    """Poisson probabilities of 0 … count − 1 for each mean, shape (n_means, count)."""
    k = np.arange(count)
    safe = np.where(mean > 0, mean, 1.0)[:, None]
    weight = np.exp(k * np.log(safe) - safe - gammaln(k + 1))
    weight[mean == 0] = k == 0
    return np.asarray(weight)


@dataclass(frozen=True, kw_only=True)
class SieveSet:
    """One physical stack; benches that name the same set share its sieves and their errors.

    Parameters
    ----------
    name : str
        Start of every sieve key: "Alder" gives "Alder 90 µm" and "Alder pan".
    apertures_um : tuple of float
        Nominal apertures, µm, increasing.
    certificate_percent : float or None
        Expanded uncertainty (k = 2) of a certificate as a share of the aperture, per cent; None
        where only the tolerance is known.
    standard : str
        Tolerance edition; the true average aperture lies anywhere within its tolerance.
    tare_g : float, default=380
        Typical mass of an empty sieve, g; single sieves differ by up to 15 %.
    certificate_decimals : int, default=1
        Decimals of a micrometre to which a certificate is written.

    Examples
    --------
    >>> from psdstats.simulate import SieveSet
    >>> SieveSet(name="Alder", apertures_um=(63.0, 125.0)).standard
    'ISO 3310-1'
    """

    name: str
    apertures_um: tuple[float, ...]
    certificate_percent: float | None = None
    standard: str = "ISO 3310-1"
    tare_g: float = 380.0
    certificate_decimals: int = 1

    def __post_init__(self) -> None:
        pairs = zip(self.apertures_um, self.apertures_um[1:], strict=False)
        rising = all(low < high for low, high in pairs)
        if len(self.apertures_um) < 2 or self.apertures_um[0] <= 0 or not rising:
            raise SizeError(
                f"Sieve set {self.name!r} has apertures {self.apertures_um} µm; "
                "give at least two, increasing and above 0."
            )


@dataclass(frozen=True, kw_only=True)
class Bench:
    """One group.

    Parameters
    ----------
    name : str
        Name of the group.
    sieves : SieveSet
        Its sieves.
    balance : Balance
        Its balance.

    Examples
    --------
    >>> from psdstats.simulate import Bench, Powder, SieveSet, TrialDesign, simulate_study
    >>> from psdstats.simulate.design import Breakage
    >>> from psdstats.study import Balance
    >>> stack = SieveSet(name="Alder", apertures_um=(45.0, 90.0, 180.0, 355.0))
    >>> bench = Bench(name="Alder", sieves=stack, balance=Balance(name="b", resolution_g=0.01))
    >>> bench.name, bench.sieves.apertures_um
    ('Alder', (45.0, 90.0, 180.0, 355.0))
    """

    name: str
    sieves: SieveSet
    balance: Balance


@dataclass(frozen=True, kw_only=True)
class Powder:
    """The feed and how it breaks.

    Parameters
    ----------
    breakage : Breakage or None
        Rates and products of breakage; None for a powder that is sieved as it is, at 0 min only.
    feed_d50_um, feed_gsd : float
        Median, µm, and geometric standard deviation of the log-normal feed.
    feed_percentiles_um : tuple of float, optional
        D10, D50 and D90 of the feed, µm; its curve then goes through these three (see
        `psdstats.simulate.curve`) and the two before are not used.
    density_g_per_cm3 : float or None
        Particle density; None means infinitely many particles, so no sampling error.
    shape_factor : float, default=0.5
        Particle volume over the cube of its sieve size (common practice, no source).
    name : str
        Free text.

    Examples
    --------
    >>> from psdstats.simulate import Bench, Powder, SieveSet, TrialDesign, simulate_study
    >>> from psdstats.simulate.design import Breakage
    >>> from psdstats.study import Balance
    >>> stack = SieveSet(name="Alder", apertures_um=(45.0, 90.0, 180.0, 355.0))
    >>> bench = Bench(name="Alder", sieves=stack, balance=Balance(name="b", resolution_g=0.01))
    >>> Powder(breakage=Breakage(rate_per_min=0.05), feed_d50_um=200).feed_d50_um
    200
    """

    breakage: Breakage | None
    feed_d50_um: float = 250.0
    feed_gsd: float = 1.45
    feed_percentiles_um: tuple[float, float, float] | None = None
    density_g_per_cm3: float | None = None
    shape_factor: float = 0.5
    name: str = "invented powder"

    def __post_init__(self) -> None:
        if not (self.feed_d50_um > 0 and self.feed_gsd > 1):
            raise SizeError(
                f"The feed has median {self.feed_d50_um} µm and geometric SD {self.feed_gsd}; "
                "give a median above 0 and a geometric SD above 1."
            )
        if self.feed_percentiles_um is not None:
            low, middle, high = self.feed_percentiles_um
            if not 0 < low < middle < high < float("inf"):
                raise SizeError(
                    f"The feed has D10, D50, D90 {self.feed_percentiles_um} µm; "
                    "give increasing sizes above 0."
                )


@dataclass(frozen=True, kw_only=True)
class Spread:
    """How benches and runs differ, as standard deviations of logarithms.

    Parameters
    ----------
    rate_bench, rate_charge, rate_run : float, default=0
        Of the milling rate: by bench, by charge (charges sampled at several times drift apart),
        and from run to run within a bench.
    size_bench, size_bench_time, charge, size_run : float, default=0
        Of a shift of the whole curve along ln x (splitting, sieving time, humidity): by bench,
        by bench and milling time, by charge, and from run to run.
    """

    rate_bench: float = 0.0
    rate_charge: float = 0.0
    rate_run: float = 0.0
    size_bench: float = 0.0
    size_bench_time: float = 0.0
    charge: float = 0.0
    size_run: float = 0.0


@dataclass(frozen=True, kw_only=True)
class TrialDesign:
    """A whole trial: every bench does every ball ratio, time and replicate.

    Parameters
    ----------
    benches : tuple of Bench
        The groups.
    powder : Powder
        Feed and breakage.
    times_min : tuple of float
        Milling times, min, increasing, from 0 upwards.
    replicates : int, default=1
        Runs of each bench, ratio and time.
    one_charge : bool, default=False
        Whether one charge of each bench, ratio and replicate is sampled at all times; without,
        each run mills a charge of its own.
    ball_ratios : mapping of float to float
        Ball to powder mass ratio → factor on the milling rate; empty leaves the column out.
    spread : Spread
        Random differences of benches and runs.
    sample_mass_g : float, default=50
        Mass aimed at on the stack; what is weighed differs by about 1 %.
    loss_percent : tuple of float, default=(0, 0)
        Range of the powder lost in sieving, per cent of the sample.  Of each loss a random share
        comes from the pan, the rest from all classes in proportion.
    tares : TareHandling
        Whether the empty sieves are weighed in each run or once.
    title : str
        Title of the study.
    uncertainty : mapping of str to object
        Passed to the study unchanged: which sources the evaluation takes.

    Examples
    --------
    >>> from psdstats.simulate import Bench, Powder, SieveSet, TrialDesign, simulate_study
    >>> from psdstats.simulate.design import Breakage
    >>> from psdstats.study import Balance
    >>> stack = SieveSet(name="Alder", apertures_um=(45.0, 90.0, 180.0, 355.0))
    >>> bench = Bench(name="Alder", sieves=stack, balance=Balance(name="b", resolution_g=0.01))
    >>> powder = Powder(breakage=Breakage(rate_per_min=0.05))
    >>> TrialDesign(benches=(bench,), powder=powder, times_min=(0.0, 12.0)).replicates
    1
    """

    benches: tuple[Bench, ...]
    powder: Powder
    times_min: tuple[float, ...]
    replicates: int = 1
    one_charge: bool = False
    ball_ratios: Mapping[float, float] = field(default_factory=ReadOnly)
    spread: Spread = field(default_factory=Spread)
    sample_mass_g: float = 50.0
    loss_percent: tuple[float, float] = (0.0, 0.0)
    tares: TareHandling = TareHandling.EACH_RUN
    title: str = "Simulated trial"
    uncertainty: Mapping[str, object] = field(default_factory=ReadOnly)

    def __post_init__(self) -> None:
        names = [bench.name for bench in self.benches]
        if not names or len(set(names)) < len(names):
            raise SizeError(f"The benches are named {names}; give at least one, each once.")
        if not self.times_min or min(self.times_min) < 0 or self.replicates < 1:
            raise SizeError(
                f"The trial has times {self.times_min} min and {self.replicates} replicates; "
                "give times from 0 upwards and at least 1 replicate."
            )
        if self.powder.breakage is None and max(self.times_min) > 0:
            raise SizeError(
                f"The trial mills for {max(self.times_min)} min, but how its powder breaks is not "
                "given; give a Breakage, or 0 min alone."
            )
        low, high = self.loss_percent
        if not 0 <= low <= high < 100:
            raise SizeError(
                f"loss_percent is {self.loss_percent}; give a range from 0 to below 100, low first."
            )
        if not self.sample_mass_g > 0:
            raise SizeError(f"sample_mass_g is {self.sample_mass_g}; give a mass above 0.")
        self._refuse_shared_names()

    @property
    def sieve_sets(self) -> tuple[SieveSet, ...]:
        """Each physical stack once, in the order of the benches."""
        return tuple({bench.sieves.name: bench.sieves for bench in self.benches}.values())

    def _refuse_shared_names(self) -> None:
        """One name stands for one sieve set and one balance; a tare has one balance."""
        sets: dict[str, SieveSet] = {}
        balances: dict[str, Balance] = {}
        used: dict[str, str] = {}
        for bench in self.benches:
            if sets.setdefault(bench.sieves.name, bench.sieves) != bench.sieves:
                raise SizeError(f"Two sieve sets are named {bench.sieves.name!r}; rename one.")
            if balances.setdefault(bench.balance.name, bench.balance) != bench.balance:
                raise SizeError(f"Two balances are named {bench.balance.name!r}; rename one.")
            first = used.setdefault(bench.sieves.name, bench.balance.name)
            if self.tares == TareHandling.ONCE and first != bench.balance.name:
                raise SizeError(
                    f"Sieve set {bench.sieves.name!r} is tared once but used on balances {first!r} "
                    f"and {bench.balance.name!r}; give each balance a set or tare in each run."
                )


@dataclass(frozen=True, kw_only=True, eq=False)
class Layout:
    """Runs and plates of a design as arrays (R runs, K classes, P plates, B balances).

    Attributes
    ----------
    run_names, replicate_labels, charge_names, plate_keys : tuple of str
        Labels of runs (R), of their replicates (R), of charges (C) and of plates (P).
    bench, time, charge, balance : ndarray of int, shape (R,)
        Positions in the design's benches and times, in `charge_names` and in `balances`.
    ball_ratio, rate_factor, time_min : ndarray, shape (R,)
        Ball ratio (NaN without one), its factor on the rate, and milling time.
    plate : ndarray of int, shape (R, K)
        Plate of each class, pan first; −1 where a stack has fewer classes.
    plate_um : ndarray, shape (P,)
        Nominal aperture, µm; 0 for a pan.
    balances : tuple of Balance
        Each balance once.
    """

    run_names: tuple[str, ...]
    replicate_labels: tuple[str, ...]
    charge_names: tuple[str, ...]
    plate_keys: tuple[str, ...]
    bench: Indices
    time: Indices
    charge: Indices
    balance: Indices
    ball_ratio: Array
    rate_factor: Array
    time_min: Array
    plate: Indices
    plate_um: Array
    balances: tuple[Balance, ...]

    @property
    def used(self) -> Flags:
        """Which classes a run has, shape (R, K)."""
        used: Flags = self.plate >= 0
        return used


def lay_out(design: TrialDesign) -> Layout:
    """Index tables of a design, runs by bench, ball ratio, time and replicate."""
    ratios = list(design.ball_ratios.items()) or [(float("nan"), 1.0)]
    cells = list(
        product(
            range(len(design.benches)), ratios, range(len(design.times_min)),
            range(design.replicates),
        )
    )  # fmt: skip
    plate_keys, plate_um, stacks = _plates(design)
    balances = list(dict.fromkeys(bench.balance for bench in design.benches))
    charges = [_name(design, *cell, timed=not design.one_charge) for cell in cells]
    charge_names = tuple(dict.fromkeys(charges))
    return Layout(
        run_names=tuple(_name(design, *cell) for cell in cells),
        replicate_labels=tuple(_letter(cell[3]) for cell in cells),
        charge_names=charge_names,
        plate_keys=plate_keys,
        bench=np.array([cell[0] for cell in cells]),
        time=np.array([cell[2] for cell in cells]),
        charge=np.array([charge_names.index(name) for name in charges]),
        balance=np.array([balances.index(design.benches[cell[0]].balance) for cell in cells]),
        ball_ratio=np.array([cell[1][0] for cell in cells]),
        rate_factor=np.array([cell[1][1] for cell in cells]),
        time_min=np.array([design.times_min[cell[2]] for cell in cells], dtype=float),
        plate=np.array([stacks[cell[0]] for cell in cells]),
        plate_um=plate_um,
        balances=tuple(balances),
    )


def _plates(design: TrialDesign) -> tuple[tuple[str, ...], Array, list[list[int]]]:
    """Keys and apertures of all plates, and the padded row of plates of each bench."""
    keys: list[str] = []
    apertures: list[float] = []
    rows: dict[str, list[int]] = {}
    for sieves in design.sieve_sets:
        rows[sieves.name] = list(range(len(keys), len(keys) + len(sieves.apertures_um) + 1))
        keys += [f"{sieves.name} pan", *(f"{sieves.name} {um:g} µm" for um in sieves.apertures_um)]
        apertures += [0.0, *sieves.apertures_um]
    classes = max(map(len, rows.values()))
    stacks = [rows[bench.sieves.name] for bench in design.benches]
    return (
        tuple(keys),
        np.array(apertures, dtype=float),
        [row + [-1] * (classes - len(row)) for row in stacks],
    )


def _name(
    design: TrialDesign,
    bench: int,
    ratio: tuple[float, float],
    time: int,
    replicate: int,
    *,
    timed: bool = True,
) -> str:
    """Name of a run, or of the charge that is sampled at all times."""
    parts = [design.benches[bench].name.lower()]
    if design.ball_ratios:
        parts.append(f"{ratio[0]:g}to1")
    if timed:
        parts.append(f"{design.times_min[time]:g}min")
    if design.replicates > 1:
        parts.append(_letter(replicate))
    return "-".join(parts).replace(" ", "-")


def _letter(replicate: int) -> str:
    """A, b, … as replicate labels; numbers after the alphabet."""
    return "abcdefghijklmnopqrstuvwxyz"[replicate] if replicate < 26 else str(replicate + 1)
