"""Small studies of unlike kinds (invented), for page one: each makes a study."""

from dataclasses import replace
from types import MappingProxyType

from psdstats_datasets import demo_study

from psdstats import read_study
from psdstats.simulate import Bench, Powder, SieveSet, TrialDesign, simulate_study
from psdstats.simulate.design import Breakage, Spread
from psdstats.study.records import Balance

APERTURES = (45.0, 63.0, 90.0, 125.0, 180.0, 250.0, 355.0, 500.0)
BREAKAGE = Breakage(rate_per_min=0.09, size_exponent=1.6, fines_share=0.25, fines_exponent=1.3)
FAST = replace(BREAKAGE, rate_per_min=0.3, size_exponent=0.9)
POWDER = Powder(
    name="invented", breakage=BREAKAGE, feed_d50_um=250.0, feed_gsd=1.42, density_g_per_cm3=2.71
)


def _study(names, times, replicates, *, seed, ratios=None, powder=POWDER):
    factors = {} if ratios is None else {"ball_ratios": MappingProxyType(ratios)}
    benches = tuple(
        Bench(
            name=name,
            sieves=SieveSet(name=name, apertures_um=APERTURES),
            balance=Balance(name=f"{name}-1", resolution_g=0.01, repeatability_g=0.008),
        )
        for name in names
    )
    design = TrialDesign(
        title="Invented trial",
        benches=benches,
        powder=powder,
        times_min=times,
        replicates=replicates,
        spread=Spread(rate_bench=0.03, rate_run=0.03, size_bench=0.01, size_run=0.01),
        sample_mass_g=50.0,
        loss_percent=(0.2, 1.0),
        **factors,
    )
    return simulate_study(design, seed=seed).study


def _with_runs(study, change):
    return replace(study, runs=tuple(change(number, run) for number, run in enumerate(study.runs)))


def three_benches():
    """Two times, no further factor."""
    return _study(("Alder", "Birch", "Cedar"), (0.0, 12.0, 48.0), 2, seed=4)


def one_bench():
    """Replicates on one bench; D50 lies below the finest sieve at the end."""
    powder = replace(POWDER, breakage=FAST)
    return _study(("Bench",), (0.0, 10.0, 60.0), 3, seed=3, powder=powder)


def few_single_runs():
    """Too few single runs to know their scatter."""
    return _study(("Bench",), (0.0, 12.0, 48.0), 1, seed=3)


def two_factors():
    """Two factors crossed: four combinations, of which the simulation knows four ball ratios."""
    ratios = {5.0: 0.7, 10.0: 1.0, 15.0: 1.2, 20.0: 0.5}
    named = {
        5.0: (5.0, "steel"),
        10.0: (10.0, "steel"),
        15.0: (10.0, "glass"),
        20.0: (5.0, "glass"),
    }
    study = _study(("Alder", "Birch"), (0.0, 48.0), 2, seed=5, ratios=ratios)

    def change(_, run):
        ratio, medium = named[run.factors["ball_ratio"]]
        return replace(run, factors=MappingProxyType({"ball_ratio": ratio, "medium": medium}))

    return _with_runs(study, change)


def benches_alone():
    """Benches at one time."""
    return _study(("Alder", "Birch", "Cedar"), (12.0,), 4, seed=3)


def ratio_alone():
    """Two ball ratios at one time."""
    return _study(("Alder", "Birch", "Cedar"), (24.0,), 2, seed=3, ratios={5.0: 0.7, 10.0: 1.0})


def coarser_again():
    """The two last times exchanged: the powder is coarser at the end."""
    study = _study(("Alder", "Birch", "Cedar"), (0.0, 24.0, 48.0), 2, seed=7)
    other = {24.0: 48.0, 48.0: 24.0}

    def change(_, run):
        time = other.get(run.milling_time_min, run.milling_time_min)
        return replace(run, milling_time_min=time)

    return _with_runs(study, change)


def little_left():
    """The last two times are one: nothing was gained between them."""
    study = _study(("Alder", "Birch", "Cedar"), (0.0, 24.0), 4, seed=9)

    def change(number, run):
        late = run.milling_time_min == 24.0 and number % 2
        return replace(run, milling_time_min=48.0) if late else run

    return _with_runs(study, change)


def charges():
    """Three charges, each sampled at every time."""
    study = _study(("Bench",), (0.0, 12.0, 48.0), 3, seed=8)
    return _with_runs(study, lambda _, run: replace(run, charge=f"charge {run.replicate}"))


def one_run():
    """Nothing to compare."""
    return _study(("Bench",), (12.0,), 1, seed=3)


def two_early_times():
    """Start and 6 min of the large demo: the spread of most means cannot be told."""
    study = read_study(demo_study("four_benches"))
    runs = tuple(run for run in study.runs if run.milling_time_min in (0.0, 6.0))
    return replace(study, runs=runs)


KINDS = {
    make.__name__: make
    for make in (
        three_benches,
        one_bench,
        few_single_runs,
        two_factors,
        benches_alone,
        ratio_alone,
        coarser_again,
        little_left,
        charges,
        one_run,
        two_early_times,
    )
}
