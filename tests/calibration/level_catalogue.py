"""Levels, coverage and power of the calibrated level over a catalogue of designs, by simulation.

    python tests/calibration/level_catalogue.py --out tests/calibration/results

simulates 4,000 data sets for each truth of each design and judges them by `models.level`, each by
the table that its own scatter asks for, and beside it by Kenward-Roger tests of the same model
(groups or charges as fixed blocks) and of the model that was the default before (random intercept
and line of each group, variances at zero dropped).  Writes ``level_catalogue.csv`` (a row a truth)
and ``level_catalogue.md``.  ``--only`` runs designs by number and replaces their rows.

Designs and data are those of `level_designs.py`.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from functools import partial
from pathlib import Path

import numpy as np
import pandas as pd
from level_designs import (
    DESIGNS,
    LARGE,
    POWER,
    Built,
    build,
    course,
    responses,
    standard_error,
    truths,
)
from sharing import add_sharing, shared

from psdstats.models.engine import CovarianceParts, fit_batch
from psdstats.models.judged import Family, Judged, Side
from psdstats.models.kenward_roger import adjusted_covariance, kenward_roger
from psdstats.models.level import LevelLaw

DATE = "2026-12-01"
STANDS = """It does not depend on the law of the curve between sieves. Scales of tests have one
degree of freedom at least (since 2026-12-01)."""
"""To be written anew when the table is run again."""
SEED = 20261129
ALPHA = 0.05
Array = np.ndarray


# ---- judging ---------------------------------------------------------------------------------
def judged_sets(built: Built, y: Array) -> Iterator[tuple[Array, Judged]]:
    """Rows of y and their answers, each by the law that this response alone would be given."""
    law = LevelLaw(built.x, built.parts, built.known, built.question, y[0])
    if law.is_exact:
        yield np.arange(len(y)), law.judge(y)
        return
    scatter = law.scatter(y)
    for one in np.unique(scatter):
        rows = np.flatnonzero(scatter == one)
        own = LevelLaw(built.x, built.parts, built.known, built.question, y[rows[0]])
        yield rows, own.judge(y[rows])


def level_rates(built: Built, y: Array, margin: float) -> dict[str, float]:
    """Rates of false findings at 5 %; `margin` is added at the last time for equivalence."""
    moved = y + margin * (built.time == built.design.times - 1)
    inside = np.zeros(len(y), dtype=bool)
    found = [_findings(built, one) for _, one in judged_sets(built, y)]
    for rows, one in judged_sets(built, moved):
        p = np.maximum(one.p_below(margin), one.p_above(-margin))[:, built.last]
        inside[rows] = p < ALPHA
    rate = np.concatenate(found).mean(axis=0)
    names = _names(built)
    rates = {f"{kind} {k}": float(rate[i]) for i, (kind, k) in enumerate(names)}
    return {**rates, "equivalence 0": float(inside.mean())}


def _names(built: Built) -> list[tuple[str, int]]:
    """What each column of the findings is."""
    q, asked = len(built.question.contrasts), built.question
    return [
        *(("single", k) for k in range(q)),
        *(("below", k) for k in range(q)),
        *(("above", k) for k in range(q)),
        *(("family", k) for k in range(len(asked.families))),
        *(("joint", k) for k in range(len(asked.jointly))),
    ]


def _findings(built: Built, one: Judged) -> Array:
    """Whether each test rejects (N, tests), in the order of the names."""
    below, above = one.p_below(), one.p_above()
    columns = [2 * np.minimum(below, above) < ALPHA, below < ALPHA, above < ALPHA]
    families = [_beyond_limits(one, family) for family in built.question.families]
    joint = [one.joint_p(k) < ALPHA for k in range(len(built.question.jointly))]
    return np.column_stack([*columns, *families, *joint])


def _beyond_limits(one: Judged, family: Family) -> Array:
    """Whether any member's limit, of those that hold together, excludes zero."""
    signed = one.estimate[:, list(family.members)] * family.signs
    away = np.abs(signed) if family.side is Side.BOTH else -signed
    return (away > one.family_half_width(family, ALPHA)).any(axis=1)


def covered(built: Built, y: Array) -> dict[str, float]:
    """Coverage of intervals where sizes fall: the last alone, all against the first together."""
    size = 0.4
    true = -size * np.arange(1, built.design.times) / (built.design.times - 1)
    family = built.question.families[0]
    last, all_together, upper = (np.zeros(len(y), dtype=bool) for _ in range(3))
    for rows, one in judged_sets(built, y + course(built, size)):
        estimate = one.estimate[:, : len(true)]
        off = np.abs(estimate - true)
        last[rows] = (off <= one.half_width(ALPHA)[:, : len(true)])[:, -1]
        all_together[rows] = (off <= one.family_half_width(family, ALPHA)).all(axis=1)
        limit = estimate + one.family_half_width(built.question.families[1], ALPHA)
        upper[rows] = (true <= limit).all(axis=1)
    return {
        "covers last": last.mean(),
        "covers all": all_together.mean(),
        "upper limits hold": upper.mean(),
    }


def found_by_level(built: Built, y: Array) -> dict[str, float]:
    """How often a real fall is found: last against first alone, any time, jointly."""
    single, joint = np.zeros(len(y), dtype=bool), np.zeros(len(y), dtype=bool)
    for rows, one in judged_sets(built, y):
        p = 2 * np.minimum(one.p_below(), one.p_above())[:, built.last]
        single[rows], joint[rows] = p < ALPHA, one.joint_p(0) < ALPHA
    return {"single": single.mean(), "joint": joint.mean()}


def by_kenward_roger(
    built: Built, y: Array, *, former: bool = False, drop: bool = False
) -> dict[str, float]:
    """The last time against the first, all contrasts, and jointly, by Kenward-Roger tests.

    Of the same model, or of the model that was the default: groups (and charges) random, a line of
    each group where three groups hold three times.  Variances may go below zero, or stop at zero
    and are dropped.
    """
    x, rows, parts = built.x, built.question.contrasts, built.parts
    if former:
        cells = built.design.times * built.design.levels
        same = (built.group[:, None] == built.group).astype(float)
        x, rows = x[:, :cells], rows[:, :cells]
        more = [same]
        if built.design.charges:
            more.append((built.block[:, None] == built.block).astype(float))
        lines = built.design.groups >= 3
        more += [same * np.outer(built.time, built.time)] if lines else []
        more += [parts[0]] if built.design.replicates > 1 else []
        parts = np.array([*more, parts[-1]])
    else:
        x, rows = x[:, : -_redundant(x)], rows[:, : -_redundant(x)]
    whole = CovarianceParts(
        matrices=parts, is_variance=np.ones(len(parts), dtype=bool), known=built.known
    )
    fit = fit_batch(y, x, whole, free=not drop, tolerance=1e-7)
    covariance = adjusted_covariance(fit, drop_edges=drop)
    q = len(rows)
    single = [kenward_roger(fit, covariance, rows[[k]]).p < ALPHA for k in range(q)]
    joint = kenward_roger(fit, covariance, rows[list(built.question.jointly[0])]).p < ALPHA
    rates = np.mean(single, axis=1)
    return {
        "single": float(rates[built.last]),
        "least": float(rates.min()),
        "largest": float(rates.max()),
        "mean": float(rates.mean()),
        "joint": float(joint.mean()),
    }


def _redundant(x: Array) -> int:
    """How many of the last columns repeat the others."""
    rank = np.linalg.matrix_rank(x)
    kept = x[:, :rank]
    if np.linalg.matrix_rank(kept) != rank:
        raise ValueError("the last columns of X are not those that repeat the others")
    return x.shape[1] - int(rank)


# ---- the study -------------------------------------------------------------------------------
def study(number: int, sets: int, seed: int) -> list[dict[str, object]]:
    """All truths of one design."""
    design = DESIGNS[number]
    built = build(design, seed + number)
    n, p = len(built.x), int(np.linalg.matrix_rank(built.x))
    large = design in LARGE
    rows = []
    every = list(enumerate(truths(design)))
    for k, truth in every[1::2] if large else every:
        rng = np.random.default_rng([seed, number, k])
        y = responses(built, truth, sets, rng)
        se = standard_error(built, truth)
        row: dict[str, object] = {
            "number": number, "design": design.name, "stacks": design.stacks, "rows": n,
            "rest": n - p, "run": truth.run, "cell": truth.cell, "line": truth.line,
            "by": "Kenward-Roger" if large else "calibrated level", "sets": sets,
        }  # fmt: skip
        some = y[: sets // 2]
        row |= _named("kr", by_kenward_roger(built, some))
        if large and design.drift:
            row |= _named("dropped", by_kenward_roger(built, some, drop=True))
        if not large:
            row |= level_rates(built, y, 4 * se)
        if truth == POWER[design.drift] and not large:
            row |= _named("former", by_kenward_roger(built, some, former=True, drop=True))
            row |= _power(built, y, 2.8016 * se) | covered(built, y)
        rows.append(row)
    return rows


def _named(way: str, rates: dict[str, float]) -> dict[str, float]:
    return {f"{way} {name}": value for name, value in rates.items()}


def _power(built: Built, y: Array, size: float) -> dict[str, float]:
    """How often each way finds a fall that is found in 80 % with all variances known."""
    moved = y + course(built, size)
    some = moved[: len(moved) // 2]
    ways = {
        "level": found_by_level(built, moved),
        "kr": by_kenward_roger(built, some),
        "former": by_kenward_roger(built, some, former=True, drop=True),
    }
    return {f"power {way} {one}": ways[way][one] for way in ways for one in ("single", "joint")}


KINDS = ("single", "below", "above", "family", "joint", "equivalence")


def summary(table: pd.DataFrame) -> pd.DataFrame:
    """A row a design: least and largest rate over its truths and tests, in per cent."""
    lines = []
    for _, some in table.groupby("number"):
        line = {name: some[name].iloc[0] for name in ("design", "stacks", "rows", "rest")}
        for kind in KINDS:
            line[kind] = _range(some, [c for c in some if c.startswith(kind + " ")])
        line["KR single"] = _range(some, ["kr least", "kr largest"])
        line["KR joint"] = _range(some, ["kr joint"])
        lines.append(line)
    return pd.DataFrame(lines)


def large_designs(table: pd.DataFrame) -> pd.DataFrame:
    """Kenward-Roger in designs too large for a table, a row a truth."""
    names = [
        f"{way} {one}" for way in ("kr", "dropped") for one in ("mean", "least", "largest", "joint")
    ]
    some = table[table["by"] == "Kenward-Roger"]
    out = some[["design", "stacks", "rows", "rest", "run", "cell", "line"]].copy()
    for name in ("run", "cell", "line"):
        out[name] = (100 * out[name]).map("{:.1f}".format)
    for name in names:
        values = some[name] if name in some else pd.Series(np.nan, some.index)
        out[name] = (100 * values).map(lambda v: "" if np.isnan(v) else f"{v:.1f}")
    return out


def _range(some: pd.DataFrame, columns: list[str]) -> str:
    values = 100 * some[columns].to_numpy(dtype=float)
    if np.isnan(values).all():
        return ""
    return f"{np.nanmin(values):.1f}-{np.nanmax(values):.1f}"


def worst(table: pd.DataFrame, count: int = 12) -> pd.DataFrame:
    """The largest rates of the calibrated level, with design and truth."""
    long = table.melt(
        id_vars=["design", "stacks", "run", "cell", "line"],
        value_vars=_tests(table),
        var_name="test",
        value_name="rate",
    )
    long = long.nlargest(count, "rate")
    for name in ("run", "cell", "line", "rate"):
        long[name] = (100 * long[name]).map("{:.1f}".format)
    return long


def _tests(table: pd.DataFrame) -> list[str]:
    return [c for c in table if c.split(" ")[0] in KINDS]


def share_above(table: pd.DataFrame, limit: float, kinds: tuple[str, ...] = KINDS) -> float:
    """Share of all rates of the calibrated level above a limit, in per cent."""
    columns = [c for c in _tests(table) if c.split(" ")[0] in kinds]
    values = table[columns].to_numpy(dtype=float)
    return float(100 * (values[np.isfinite(values)] > limit).mean())


def powers(table: pd.DataFrame) -> pd.DataFrame:
    """Power, and the level of what is compared, at one truth of each design."""
    some = table[table["power kr single"].notna()].copy()
    columns = [
        "power level single", "power kr single", "power former single",
        "power level joint", "power kr joint", "power former joint", "kr single",
        "former single", "kr joint", "former joint", "covers last", "covers all",
        "upper limits hold",
    ]  # fmt: skip
    out = some[["design", "stacks"]].copy()
    for name in columns:
        out[name] = (100 * some[name]).map(lambda v: "" if np.isnan(v) else f"{v:.1f}")
    return out


def markdown(table: pd.DataFrame) -> str:
    """A table of Markdown."""
    lines = ["| " + " | ".join(table.columns) + " |", "|" + "---|" * table.shape[1]]
    lines += ["| " + " | ".join(str(v) for v in row) + " |" for row in table.to_numpy()]
    return "\n".join(lines)


def write(table: pd.DataFrame, out: Path, seed: int) -> None:
    """The page and the numbers."""
    level, large = (table[table["by"] == by] for by in ("calibrated level", "Kenward-Roger"))
    sets, fewer = int(level["sets"].min()), int(large["sets"].min()) // 2
    error = 100 * np.sqrt(ALPHA * (1 - ALPHA) / sets)
    rates = level[_tests(level)].to_numpy(dtype=float)
    text = f"""# Levels of the calibrated level over a catalogue of designs

Command: `python tests/calibration/level_catalogue.py --data-sets {sets} --seed {seed}`, {DATE}.
{level["number"].nunique()} designs judged by the calibrated level, {len(level)} truths, {sets} sets
each, {np.isfinite(rates).sum()} rates; Monte Carlo error of a 5 % rate {error:.2f} % (one standard
error), beside that of the table itself (about 0.3 with one unknown variance, 0.6 with more). All
numbers in per cent; tests at 5 %. Design: groups × times (× levels) × replicates. All sizes are
invented.

{STANDS}

Of all rates {share_above(level, 0.055):.1f} % lie above 5.5, {share_above(level, 0.06):.1f} % above
6; largest {100 * np.nanmax(rates):.1f}. A rate whose true value is 5.0 is seen above 5.5 in
{100 * _beyond(0.055, sets):.0f} % by Monte Carlo error alone. Kinds, share above 5.5: {
        ", ".join(f"{k} {share_above(level, 0.055, (k,)):.1f}" for k in KINDS)
    }.

## Least and largest rate of each design

single, below, above: each contrast (every time against the first, steps, second factor), two-sided
and to each side. family: any of Dunnett's family and of the steps, two-sided and falling. joint:
all times at once. equivalence: said although the truth lies on the margin. KR: Kenward-Roger on the
same model, variances free to go below zero (half of the sets).  5 × 6 × 3 with rows lost and drift
shows why three unknown variances and this many rows are left to Kenward-Roger: the grid is too
coarse for so much information.

{markdown(summary(level))}

## The largest rates

run, cell, line: the true standard deviations.

{markdown(worst(level))}

## Power and coverage

A fall in a straight line that a z test with all variances known finds in 80 % (last time against
the first), at a run-to-run standard deviation of 2 % and a drift of 1.5 % a step where allowed.
level: calibrated. kr: Kenward-Roger, same model, variances free to go below zero. former: random
intercept and line of each group, variances at zero dropped. Columns without "power" are the levels
of the same tests: part of what is found more is excess. covers: intervals where sizes fall by 33 %
in all.

{markdown(powers(level))}

## Designs too large for a table

Kenward-Roger tests of the same model: all contrasts alone (mean, least, largest) and jointly.  kr:
variances free to go below zero; dropped: stopped at zero and dropped.  `--data-sets {2 * fewer}`,
of which {fewer} are judged; Monte
Carlo error of a single rate {error * (sets / fewer) ** 0.5:.2f}.

{markdown(large_designs(table))}
"""
    out.mkdir(parents=True, exist_ok=True)
    (out / "level_catalogue.md").write_text(text, encoding="utf-8")


def _beyond(limit: float, sets: int) -> float:
    """Share of estimates above a limit where 5 % is true."""
    from scipy import stats

    return float(stats.binom.sf(np.floor(limit * sets), sets, ALPHA))


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--out", type=Path, default=Path("tests/calibration/results"))
    parser.add_argument("--data-sets", type=int, default=4000)
    parser.add_argument("--seed", type=int, default=SEED)
    parser.add_argument("--only", type=int, nargs="*", help="numbers of designs to run again")
    add_sharing(parser)
    asked = parser.parse_args()
    numbers = range(len(DESIGNS)) if asked.only is None else asked.only
    file = asked.out / "level_catalogue.csv"
    kept = pd.read_csv(file) if asked.only is not None and file.exists() else pd.DataFrame()
    studied = partial(study, sets=asked.data_sets, seed=asked.seed)
    for number, found in zip(numbers, shared(asked)(studied, numbers), strict=True):
        rows = pd.DataFrame(found)
        if len(kept):
            kept = kept[kept["number"] != number]
        kept = pd.concat([kept, rows]) if len(kept) else rows
        kept = kept.sort_values("number", kind="stable")
        asked.out.mkdir(parents=True, exist_ok=True)
        kept.to_csv(file, index=False, float_format="%.5g")
    if len(set(kept["by"])) > 1:  # the page tells of both
        write(kept, asked.out, asked.seed)


if __name__ == "__main__":
    main()
