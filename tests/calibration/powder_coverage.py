"""Coverage of the 95 % intervals against the powder's own sizes, by psdstats' default door.

The truth is the D10, D50, D90 and span of the powder's own continuous undersize curve, never the
size that a rule would give.  Powders of fifteen families (`powders`, written apart from
`psdstats.simulate`; four were left out when the prior of the law was made, and two of these,
bounded and skewed powders, were looked at for one number of it alone) are sieved on four stacks,
certified or new, weighed with and without noise, and given to `psdstats.propagate` as runs
that share nothing, each a condition of its own on its own sieves.  Then ratios of two milled
powders, or of two of one family, on one stack; one powder on two benches with unlike stacks, where
every difference found is a false one; and the demo trial of `psdstats.simulate`.

    python tests/calibration/powder_coverage.py --out tests/calibration/results
    python tests/calibration/powder_coverage.py --out … --workers 2   # goes on where it was stopped
    python tests/calibration/powder_coverage.py --out … --again 40 --powders 200 --seed 20261201

The last tells chance from fault: the results of least coverage once more, with fresh powders.
"""

from __future__ import annotations

import argparse
import importlib.util
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from functools import lru_cache, partial
from pathlib import Path

import numpy as np
import pandas as pd
from powders import (
    FAMILIES,
    LEVELS,
    SMOOTH,
    STACKS,
    STRAIGHT,
    WEIGHINGS,
    Powders,
    draw_bench,
    knower,
    make_pair,
    make_powders,
    quantities_of,
    runs_of,
    sieved_g,
    sizes_at,
    study_of,
    together,
)  # fmt: skip
from sharing import add_sharing, shared

from psdstats.columns import QUANTITIES
from psdstats.findings import Remark
from psdstats.simulate import simulate_study
from psdstats.study import Run, Study
from psdstats.uncertainty import propagate, ratio_intervals
from psdstats.uncertainty.propagation import PropagationRemark

__all__ = ["CELLS", "Cell", "rows_of"]

SEED = 20261221
SEEDS_SEEN = (
    "5, 20261129, 20261130, 20261212, 20261213, 77001 and 77002 (sizes, some ratios and benches) "
    "and 77 (demo trials)"
)
"""Of the tables in view while the law was made and mended; never report one of them."""
SIZES, DRAWN, RATIOS, BENCHES, DEMO = KINDS = ("sizes", "drawn", "ratios", "two benches", "demo")
APERTURES = ("certified", "tolerance")
NOISY = "20 g on a 0.01 g balance"
DRAWS = 20_000
DRAWN_SHARE, RATIO_SHARE, DEMO_SHARE = 0.5, 0.5, 0.1
AT_ONCE = 50
FEWEST = 30
"""Answers a cell must have to be judged."""
WANTED, LEAST, FALSE = 93.0, 90.0, 6.0
TRIED = (
    "What fails was looked into. Where classes are twice as wide as a root-2 stack has them, bends "
    "of a powder hide in them: there the power of the likelihood falls from 0.9 to 0.75. Of 300 "
    "powders a cell (seed 77001, in view) that moved hyperbolic powders on ratio 2 from 85 to 89 % "
    "(least), smooth powders warned of a hidden peak from 8 to 3 % (most), the mean of ratio 2 "
    "from 97.8 to 98.3 % and u there by 4 %; attrition, D10, stays. More room for wild intervals, "
    "or weighing them less by mass, did no better; larger curvatures did as the lower power does, "
    "with more u. Ratios of milled powders with tolerances: sensitivities hold the weights of the "
    "components, but weights move with the data, so that an error of an aperture acts more on its "
    "own class and less on the others than the law has it. Errors of two runs on one stack then "
    "correlate by 0.1 to 0.3 where the law says 0.3 to 0.5. Sensitivities that follow the weights, "
    "errors of data making at most all of u, raised D50 ratios from 90 to 92 % by the laws of "
    "single runs (milled from two modes, root 2; hyperbolic, ratio 2; 100 to 150 pairs) with u 6 "
    "to 13 % larger; but for log-normal powders they are no nearer to the derivatives of the "
    "median than those in use, and what they do to trials was not measured: left out. "
    "What the law leaves open between sieves, beside errors of apertures and readings, is 0.76 of "
    "itself between narrow sieves, less narrowed between wide ones, and whole where the powder has "
    "a kink or ends sharply (2026-12-01). One factor for all, 0.82, raised false differences of "
    "milled powders to 17 % and left milled D90 by new root-2 sieves at 88 %: seen on ten families "
    "of seed 20261221 before that run was stopped, so that powders of this page were in view for "
    "that choice, its numbers were not. With a seed never in view (20261223, sizes, 200 powders a "
    "cell) the mean is 97.9 %, u at most 1.40 of a knower's, 10 of 956 cells are below 90 %, one "
    "by over two Monte Carlo errors (hyperbolic, one missing, new sieves, D50: 84 %). Of 150 to "
    "200 powders a cell (seed 77001): a higher power of the likelihood narrowed less for the same "
    "coverage; factors that grow with the share of errors, and larger curvatures with a smaller "
    "factor, lost as much at the weak end as they gained. Not tried: narrower ratios of like "
    "powders, which are held in over 99 %."
)
OTHER_BENCH = {"root 2": ("mixed", "ratio 2")}
Array = np.ndarray


@dataclass(frozen=True)
class Cell:
    """One line of the table."""

    what: str
    family: str
    stack: str
    apertures: str
    weighing: str = NOISY


def _cells() -> Iterator[Cell]:
    for family in FAMILIES:
        for stack in STACKS:
            for apertures in APERTURES:
                for weighing in WEIGHINGS:
                    yield Cell(SIZES, family, stack, apertures, weighing)
                yield Cell(RATIOS, family, stack, apertures)
        for stack, others in OTHER_BENCH.items():
            for other in others:
                for apertures in APERTURES:
                    yield Cell(BENCHES, family, f"{stack} and {other}", apertures)
        yield Cell(DRAWN, family, "root 2", "tolerance")
        yield Cell(DRAWN, family, "ratio 2", "certified")
    yield Cell(DEMO, "demo trial", "four benches", "as declared", "as declared")


CELLS = tuple(_cells())
FAMILY_ORDER = [*FAMILIES, "demo trial"]


# ---------------------------------------------------------------- one study
@dataclass(frozen=True, eq=False)
class Answers:
    """What was said of n sizes or ratios beside what is true, all (n, 4); `warned` (n,)."""

    value: Array
    lower: Array
    upper: Array
    true: Array
    warned: Array
    knower: Array | None = None

    @staticmethod
    def joined(parts: Sequence[Answers]) -> Answers:
        """All of them one below the other."""
        found = [
            np.concatenate([getattr(part, name) for part in parts])
            for name in ("value", "lower", "upper", "true", "warned")
        ]
        return Answers(*found)


def warned_runs(notes: Sequence[object]) -> set[str]:
    """Runs of which the result says that a class may hide a peak."""
    return {
        run
        for note in notes
        if isinstance(note, Remark) and note.kind is PropagationRemark.HIDDEN_PEAK
        for run in dict(note.data)["runs"]
    }


def sizes_of(study: Study, true: Array, **options: object) -> Answers:
    """Sizes of every run of a study by the default door."""
    found = propagate(study, **{"method": "linear", **options})  # type: ignore[arg-type]
    warned = warned_runs(found.notes)
    return Answers(
        found.value,
        found.lower,
        found.upper,
        true,
        np.array([run in warned for run in found.runs]),
    )


def ratios_of(study: Study, pairs: Sequence[tuple[str, str]], true: Array) -> Answers:
    """Ratios of sizes between runs by the default door."""
    found = ratio_intervals(study, pairs, method="linear")
    warned = warned_runs(found.notes)
    return Answers(
        found.ratio,
        found.lower,
        found.upper,
        true,
        np.array([high in warned or low in warned for high, low in pairs]),
    )


# ---------------------------------------------------------------- cells
@lru_cache(maxsize=2)
def powders_of(family: str, n: int, seed: int) -> Powders:
    """The same powders for every cell of a family."""
    return make_powders(family, n, np.random.default_rng([seed, list(FAMILIES).index(family)]))


@lru_cache(maxsize=2)
def pairs_of(family: str, n: int, seed: int) -> tuple[Array, Array]:
    """The same pairs for every cell of a family."""
    return make_pair(family, n, np.random.default_rng([seed, 100 + list(FAMILIES).index(family)]))


def _one_stack(
    cell: Cell, curves: Sequence[Array], rng: np.random.Generator
) -> tuple[Iterator[Study], object]:
    """Studies of one run a curve, all on one stack, and the stacks."""
    weighing, n = WEIGHINGS[cell.weighing], len(curves[0])
    bench = draw_bench("a", cell.stack, cell.apertures, n, rng)
    runs = [
        runs_of(
            f"run {at}",
            sieved_g(curve, bench.true_um, weighing.sample_g, rng),
            bench,
            weighing,
            rng,
            milling_time_min=10.0 * at,
        )
        for at, curve in enumerate(curves)
    ]
    studies = (
        study_of(together, bench.sieves(p), [weighing])
        for p, together in enumerate(zip(*runs, strict=True))
    )
    return studies, bench


def _parts(studies: Iterable[Study], true: Array) -> Iterator[tuple[Study, Array]]:
    """Some powders at a time, each a condition of its own, with what is true of them."""
    every = list(studies)
    for first in range(0, len(every), AT_ONCE):
        part = slice(first, first + AT_ONCE)
        yield together(every[part]), true[part]


def sizes(cell: Cell, n: int, seed: int, rng: np.random.Generator) -> Answers:
    """Single runs."""
    powders = powders_of(cell.family, n, seed)
    studies, bench = _one_stack(cell, [powders.curve], rng)
    found = [sizes_of(study, true) for study, true in _parts(studies, powders.true)]
    return replace(
        Answers.joined(found),
        knower=knower(powders, bench, WEIGHINGS[cell.weighing]),  # type: ignore[arg-type]
    )


def drawn(cell: Cell, n: int, seed: int, rng: np.random.Generator) -> Answers:
    """Single runs by Monte Carlo."""
    few = max(2, round(n * DRAWN_SHARE))
    powders = powders_of(cell.family, n, seed)
    some = Powders(family=cell.family, curve=powders.curve[:few])
    studies, _ = _one_stack(cell, [some.curve], rng)
    return Answers.joined(
        [
            sizes_of(study, true, method="monte carlo", draws=DRAWS, seed=seed)
            for study, true in _parts(studies, some.true)
        ]
    )


def ratios(cell: Cell, n: int, seed: int, rng: np.random.Generator) -> Answers:
    """Two powders on one stack."""
    before, after = pairs_of(cell.family, max(2, round(n * RATIO_SHARE)), seed)
    studies, _ = _one_stack(cell, [before, after], rng)
    return _of_pairs(studies, _true(after) / _true(before), "run 1", "run 0")


def _of_pairs(studies: Iterable[Study], true: Array, high: str, low: str) -> Answers:
    """Ratios of two runs of each study."""
    return Answers.joined(
        [
            ratios_of(study, [(f"{p} {high}", f"{p} {low}") for p in range(len(some))], some)
            for study, some in _parts(studies, true)
        ]
    )


def two_benches(cell: Cell, n: int, seed: int, rng: np.random.Generator) -> Answers:
    """One powder on two benches with unlike stacks."""
    few, weighing = max(2, round(n * RATIO_SHARE)), WEIGHINGS[cell.weighing]
    curve = powders_of(cell.family, n, seed).curve[:few]
    benches = [
        draw_bench(name, stack, cell.apertures, few, rng)
        for name, stack in zip("ab", cell.stack.split(" and "), strict=True)
    ]
    runs: list[list[Run]] = []
    for bench in benches:
        mass = sieved_g(curve, bench.true_um, weighing.sample_g, rng)
        runs.append(runs_of(f"run {bench.name}", mass, bench, weighing, rng))
    studies = [
        study_of(
            [runs[0][p], runs[1][p]], {**benches[0].sieves(p), **benches[1].sieves(p)}, [weighing]
        )
        for p in range(few)
    ]
    return _of_pairs(studies, np.ones((few, 4)), "run b", "run a")


def _true(curve: Array) -> Array:
    return quantities_of(np.exp(sizes_at(curve, LEVELS)))


# ---------------------------------------------------------------- the demo trial
def demo_rows(cell: Cell, n: int, seed: int) -> list[dict[str, object]]:
    """`true` sizes, and ratios 24/0 min of means, of the demo trial by bench."""
    trials = max(2, round(n * DEMO_SHARE))
    by_bench: dict[tuple[str, str], list[Answers]] = {}
    design, settings = _demo_design()
    for child in np.random.SeedSequence(seed).spawn(trials):
        trial = simulate_study(design, seed=np.random.default_rng(child))
        study = replace(trial.study, uncertainty=settings)
        true = trial.truth["true"].to_numpy().reshape(-1, 4)
        names = [run.name for run in study.runs]
        found = sizes_of(study, true)
        group = np.array([run.group for run in study.runs])
        pairs = [
            (run.name, run.name.replace("-24min-", "-0min-"))
            for run in study.runs
            if "-24min-" in run.name
        ]
        of_pairs = np.array([[names.index(high), names.index(low)] for high, low in pairs])
        against = ratios_of(study, pairs, true[of_pairs[:, 0]] / true[of_pairs[:, 1]])
        for bench in dict.fromkeys(group.tolist()):
            for what, answers, rows in (
                ("true sizes", found, group == bench),
                ("ratios 24/0 min", against, group[of_pairs[:, 0]] == bench),
            ):
                part = Answers(
                    *(
                        getattr(answers, name)[rows]
                        for name in ("value", "lower", "upper", "true", "warned")
                    )
                )
                by_bench.setdefault((what, bench), []).append(part)
    return [
        row
        for (what, bench), parts in by_bench.items()
        for row in figures(
            replace(cell, what=f"demo, {what}", stack=bench), Answers.joined(parts), clusters=trials
        )
    ]


def _demo_design() -> tuple[object, Mapping[str, object]]:
    from psdstats_datasets import demo_study

    from psdstats import read_study

    path = Path(__file__).parents[2] / "datasets" / "make_demo.py"
    spec = importlib.util.spec_from_file_location("make_demo", path)
    if spec is None or spec.loader is None:
        raise FileNotFoundError(path)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module._four_benches(), read_study(demo_study("four_benches")).uncertainty


# ---------------------------------------------------------------- figures
def figures(cell: Cell, found: Answers, *, clusters: int | None = None) -> list[dict[str, object]]:
    """One line a quantity; `clusters` is the number of trials whose results hang together."""
    lines: list[dict[str, object]] = []
    for q, quantity in enumerate(QUANTITIES):
        value, lower, upper, true = (
            getattr(found, name)[:, q] for name in ("value", "lower", "upper", "true")
        )
        there = np.isfinite(value)
        hit, calm = (lower <= true) & (true <= upper), there & ~found.warned
        closed = there & (lower > 0) & np.isfinite(upper)
        lines.append(
            {
                "what": cell.what,
                "family": cell.family,
                "stack": cell.stack,
                "apertures": cell.apertures,
                "weighing": cell.weighing,
                "quantity": quantity,
                "asked": len(value),
                "answered": int(there.sum()),
                "warned_percent": _percent(found.warned[there]),
                "coverage_percent": _percent(hit[there]),
                "monte_carlo_error_percent": _error(hit[there], clusters),
                "not_warned": int(calm.sum()),
                "coverage_not_warned_percent": _percent(hit[calm]),
                "u_percent": 100 * _mean(_half_width(q, value, lower, upper)[closed]),
                "rms_error_percent": 100 * _mean(np.log(value / true)[there] ** 2) ** 0.5,
                "knower_u_percent": np.nan
                if found.knower is None or quantity == "span"
                else 100 * _mean(found.knower[there, q]),
            }
        )
    return lines


def _half_width(q: int, value: Array, lower: Array, upper: Array) -> Array:
    """Half the interval over 1.96, relative: of the logarithm for sizes."""
    with np.errstate(divide="ignore", invalid="ignore"):
        wide = np.log(upper / lower) if q < 3 else (upper - lower) / value
    return wide / 3.92


def _mean(values: Array) -> float:
    values = values[np.isfinite(values)]
    return float(values.mean()) if values.size else float("nan")


def _percent(held: Array) -> float:
    return 100 * float(held.mean()) if held.size else float("nan")


def _error(held: Array, clusters: int | None) -> float:
    """One standard error of a coverage; results of one trial in equal parts."""
    if held.size < 2:
        return float("nan")
    if clusters and held.size >= clusters:
        means = np.array([part.mean() for part in np.array_split(held, clusters)])
        return 100 * float(means.std(ddof=1) / np.sqrt(clusters))
    return 100 * float(np.sqrt(max(held.mean() * (1 - held.mean()), 1 / held.size) / held.size))


MAKERS: dict[str, Callable[[Cell, int, int, np.random.Generator], Answers]] = {
    SIZES: sizes,
    DRAWN: drawn,
    RATIOS: ratios,
    BENCHES: two_benches,
}


def rows_of(cell: Cell, *, powders: int, seed: int) -> list[dict[str, object]]:
    """Lines of one cell."""
    if cell.what == DEMO:
        return demo_rows(cell, powders, seed)
    rng = np.random.default_rng([seed, 1000 + CELLS.index(cell)])
    return figures(cell, MAKERS[cell.what](cell, powders, seed, rng))


# ---------------------------------------------------------------- the page
def _judged(table: pd.DataFrame) -> pd.DataFrame:
    return table[table["not_warned"] >= FEWEST]


def _summary(name: str, table: pd.DataFrame) -> str:
    cells = _judged(table)
    cover = cells["coverage_not_warned_percent"]
    if cover.empty:
        return f"- {name}: no cell with {FEWEST} answers"
    return (
        f"- {name}: mean {cover.mean():.1f}, least {cover.min():.1f}, below {WANTED:g} in "
        f"{100 * (cover < WANTED).mean():.0f} % and below {LEAST:g} in "
        f"{100 * (cover < LEAST).mean():.0f} % of {len(cover)} cells; all results, warned of a "
        f"hidden peak or not: mean {cells['coverage_percent'].mean():.1f}, least "
        f"{cells['coverage_percent'].min():.1f}"
    )


def _failures(table: pd.DataFrame) -> list[str]:
    """Lines on every cell below the least coverage, one a family and stack."""
    bad = _judged(table)
    bad = bad[bad["coverage_not_warned_percent"] < LEAST]
    return [
        f"- {what}, {family}, {stack}: "
        + "; ".join(
            f"{row.quantity} {row.coverage_not_warned_percent:.0f} % "
            f"({row.apertures}, {row.weighing})"
            for row in part.itertuples()
        )
        for (what, family, stack), part in bad.groupby(["what", "family", "stack"], sort=False)
    ]


def least_again(out: Path, results: int, *, powders: int, seed: int) -> None:
    """Run the cells of the size results of least coverage again and keep those results."""
    table = pd.read_csv(out / "powder_coverage.csv")
    sizes_alone = _judged(table[table["what"] == SIZES])
    least = sizes_alone.nsmallest(results, "coverage_not_warned_percent", keep="first")
    keys = ["family", "stack", "apertures", "weighing"]
    cells = [Cell(SIZES, *names) for names in least[keys].drop_duplicates().to_numpy()]
    rows = [row for cell in cells for row in rows_of(cell, powders=powders, seed=seed)]
    first = least[[*keys, "quantity", "coverage_not_warned_percent"]]
    found = first.merge(pd.DataFrame(rows), on=[*keys, "quantity"], suffixes=("_first", ""))
    found.assign(powders=powders, seed=seed).to_csv(
        out / "powder_coverage-again.csv", index=False, float_format="%.6g"
    )


def _again(out: Path) -> list[str]:
    """What became of the results of least coverage."""
    path = out / "powder_coverage-again.csv"
    if not path.exists():
        return []
    found = pd.read_csv(path)
    new, old = found["coverage_not_warned_percent"], found["coverage_not_warned_percent_first"]
    error = np.sqrt(LEAST * (100 - LEAST) / found["not_warned"])
    bad = found[new < LEAST]
    command = f"--again {len(found)} --powders {found['powders'][0]} --seed {found['seed'][0]}"
    return [
        f"\n## The {len(found)} size results of least coverage again, with fresh powders\n",
        f"`{command}`. Where not warned: mean {new.mean():.1f} % (in the table above "
        f"{old.mean():.1f}), least {new.min():.1f}, below {LEAST:g} in {len(bad)}, by over two "
        f"standard errors in {(new < LEAST - 2 * error).sum()}.\n",
        *(
            f"- {row.family}, {row.stack}, {row.apertures}, {row.weighing}: {row.quantity} "
            f"{row.coverage_not_warned_percent:.1f} % of {row.not_warned} (above "
            f"{row.coverage_not_warned_percent_first:.0f} %)"
            for row in bad.itertuples()
        ),
    ]


def _checks(table: pd.DataFrame) -> list[str]:
    """What is asked of the whole, and what was found."""
    lines = []
    single = table[table["what"] == SIZES]
    known = single[
        single["family"].isin(("log-normal", "Rosin-Rammler"))
        & (single["stack"] == "root 2")
        & (single["quantity"] != "span")
    ]
    if len(known):
        times = known["u_percent"] / known["knower_u_percent"]
        worst = known.loc[times.idxmax()]
        lines.append(
            f"- u over that of an analyst who knows the family, log-normal and Rosin-Rammler on "
            f"root 2: median {times.median():.2f}, most {times.max():.2f} ({worst['family']}, "
            f"{worst['quantity']}, {worst['apertures']}, {worst['weighing']}); wanted at most 1.5"
        )
    smooth = single[single["family"].isin(SMOOTH)]
    milled = single.loc[single["family"] == "milled, narrow feed", "warned_percent"]
    if len(smooth):
        worst = smooth.loc[smooth["warned_percent"].idxmax()]
        lines.append(
            f"- warned of a hidden peak: smooth powders {smooth['warned_percent'].mean():.1f} %, "
            f"most {worst['warned_percent']:.1f} % ({worst['family']}, {worst['stack']}); wanted "
            f"at most 5 %. Milled from a narrow feed {milled.mean():.0f} %"
        )
    demo = _judged(table[table["what"].str.startswith(DEMO)])
    if len(demo):
        cover = demo["coverage_percent"]
        lines.append(
            f"- demo trial: least {cover.min():.1f}, mean {cover.mean():.1f} %; wanted at least "
            f"{WANTED:g} and a mean of at most 98"
        )
    benches = _judged(table[table["what"] == BENCHES])
    if len(benches):
        wrong = 100 - benches["coverage_percent"]
        worst = benches.loc[wrong.idxmax()]
        lines.append(
            f"- false differences of two benches, all powders: mean {wrong.mean():.1f} %, most "
            f"{wrong.max():.1f} % ({worst['family']}, {worst['stack']}, {worst['apertures']}, "
            f"{worst['quantity']}), above {FALSE:g} % in {100 * (wrong > FALSE).mean():.0f} % of "
            f"cells; wanted at most {FALSE:g} %"
        )
    return lines


def _compact(table: pd.DataFrame) -> str:
    """The table by cell, D10/D50/D90/span in one field."""
    head = (
        "family", "stack", "apertures", "weighing", "answered %", "warned %", "coverage %",
        "where not warned %", "error %", "u %", "rms error %", "u of a knower %",
    )  # fmt: skip
    lines = ["| " + " | ".join(head) + " |", "|" + "---|" * len(head)]
    keys = ["family", "stack", "apertures", "weighing"]
    for names, part in table.groupby(keys, sort=False):
        fields = [
            _joined(100 * part["answered"] / part["asked"], 0),
            _joined(part["warned_percent"], 0),
            _joined(part["coverage_percent"], 0),
            _joined(part["coverage_not_warned_percent"].where(part["not_warned"] >= FEWEST), 0),
            f"{part['monte_carlo_error_percent'].max():.1f}",
            _joined(part["u_percent"], 2),
            _joined(part["rms_error_percent"], 2),
            _joined(part["knower_u_percent"][:-1], 2),
        ]
        lines.append("| " + " | ".join([*map(str, names), *fields]) + " |")
    return "\n".join(lines)


def _joined(values: pd.Series, digits: int) -> str:
    if values.isna().all():
        return "-"
    return "/".join(
        "-" if np.isnan(one) else "> 999" if one > 999 else f"{one:.{digits}f}" for one in values
    )


def _left_out(table: pd.DataFrame) -> list[str]:
    """Parts of the study that this table does not hold."""
    missing = [kind for kind in KINDS if not table["what"].str.startswith(kind).any()]
    said = "Not run again since the law was mended (earlier versions of this page have them): "
    return [f"{said}{', '.join(missing)}.\n"] if missing else []


def write_page(table: pd.DataFrame, out: Path, *, powders: int, seed: int) -> None:
    """Write the table as CSV and the page with what a reader must know."""
    out.mkdir(parents=True, exist_ok=True)
    table.to_csv(out / "powder_coverage.csv", index=False, float_format="%.6g")
    kinds = list(dict.fromkeys(table["what"]))
    text = [
        "# Coverage of the 95 % intervals against the powder's own sizes\n",
        f"`python tests/calibration/powder_coverage.py --powders {powders} --seed {seed}`, "
        f"{date.today().isoformat()}. {powders} powders a cell (ratios and benches "
        f"{round(powders * RATIO_SHARE)}, Monte Carlo {round(powders * DRAWN_SHARE)}, demo trials "
        f"{round(powders * DEMO_SHARE)} of 80 runs). The truth is the powder's own D10, D50, D90 "
        "and span. `psdstats.propagate` and `ratio_intervals` by their default law, linear unless "
        "said; every powder a condition of its own. Fields with slashes: D10/D50/D90/span. error: "
        "largest Monte Carlo standard error of the coverages of a cell. u: half the interval over "
        "1.96. u of a knower: of one who knows the family and fits its two parameters to the same "
        "sieves. "
        f"Powders of one family are the same in all its cells. Cells with fewer than {FEWEST} "
        "answers are not judged.\n",
        "What the law was shown: left out are families that its prior was not fitted to. It was "
        "mended, and the power of its likelihood chosen, with tables of the seeds "
        f"{SEEDS_SEEN} in view, log-logistic, attrition and hyperbolic powders among them; bounded "
        "and skewed powders only when it was chosen how wide the rest is between narrow sieves. "
        "No number here is of those seeds, but see below of the seed 20261221. "
        f"{STRAIGHT[0].capitalize()}, "
        f"{', '.join(STRAIGHT[1:])} powders are straight on a scale of the law, and cut ones on "
        "one with other cuts: they show it at its best. The others are straight on none.\n",
        *_left_out(table),
        "## Summary\n",
        *(_summary(kind, table[table["what"] == kind]) for kind in kinds),
        *(
            _summary(f"sizes, {stack}", table[(table["what"] == SIZES) & (table["stack"] == stack)])
            for stack in STACKS
        ),
        *_checks(table),
        f"\n## What fails (below {LEAST:g} % where not warned)\n",
        *(_failures(table) or ["- nothing"]),
        "\n" + TRIED,
        *_again(out),
    ]
    for kind in kinds:
        text += [f"\n## {kind[:1].upper()}{kind[1:]}\n", _compact(table[table["what"] == kind])]
    (out / "powder_coverage.md").write_text("\n".join(text) + "\n", encoding="utf-8")


def main(arguments: Sequence[str] | None = None) -> None:
    """Run the cells asked for and write the table."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--powders", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=SEED)
    add_sharing(parser)
    parser.add_argument("--again", type=int, help="the results of least coverage, how many")
    parser.add_argument("--what", nargs="+", choices=KINDS, default=KINDS)
    options = parser.parse_args(arguments)
    options.out.mkdir(parents=True, exist_ok=True)
    if options.again:
        least_again(options.out, options.again, powders=options.powders, seed=options.seed)
        return
    path = options.out / "powder_coverage-cells.csv"
    cells = [cell for cell in CELLS if cell.what in options.what and not _is_in(path, cell)]
    made = shared(options)(partial(rows_of, powders=options.powders, seed=options.seed), cells)
    for cell, rows in zip(cells, made, strict=True):
        table = pd.DataFrame(rows).assign(cell=CELLS.index(cell))
        table.to_csv(path, mode="a", header=not path.exists(), index=False, float_format="%.6g")
    found = pd.read_csv(path).sort_values("cell", kind="stable")
    kinds = found["what"].map(
        {kind: place for place, kind in enumerate(dict.fromkeys(found["what"]))}
    )
    found = found.iloc[np.argsort(kinds, kind="stable")].drop(columns="cell").reset_index(drop=True)
    write_page(found, options.out, powders=options.powders, seed=options.seed)


def _is_in(path: Path, cell: Cell) -> bool:
    """Whether a cell is done already: a run that was stopped goes on where it was."""
    return path.exists() and CELLS.index(cell) in set(pd.read_csv(path)["cell"])


if __name__ == "__main__":
    main()
