"""What one trial says, as plain values for the tables of an archive.

Sizes of runs are those by their own readings (nothing is borrowed across the trial), so that a
point of a chart does not move with what else was in its trial.  An error is told apart by whom it
is shared with: a sieve's, a balance's and that of the curve between the same sieves come again in
every trial that used them, all others are the run's own.  Verdicts are those of
`psdstats.compare`, or there are none.
"""

from __future__ import annotations

import json
import re
from collections import Counter
from collections.abc import Hashable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import cast

import numpy as np
from scipy import sparse

from psdstats.archive.results import OF_TRIAL, Row
from psdstats.columns import QUANTITIES, TIME, WEIGHED_ON
from psdstats.comparison.compare import compare
from psdstats.comparison.plan import plan_comparison
from psdstats.comparison.response import cell_texts
from psdstats.comparison.result import Route
from psdstats.errors import ModelError, PsdstatsError
from psdstats.findings import Course, Finding, Numbers, Remark, Verdict
from psdstats.frozen import Array
from psdstats.models.design_columns import level_text
from psdstats.study.check import check_study
from psdstats.study.reader import read_study
from psdstats.study.records import Run, Study
from psdstats.uncertainty.inputs import measurement_sources
from psdstats.uncertainty.law import JointLaw, prepare
from psdstats.uncertainty.linear import Contributions

_DATE = re.compile(r"(?<!\d)\d{4}-\d{2}-\d{2}(?!\d)")
_SMALL = 0.01  # share of u below which a shared error is counted as the run's own
_REACH = 2.0  # standard uncertainties either way of a mean
_BETWEEN = "between sieves"


def trial_rows(
    path: Path, *, encoding: str | None = None, verdicts: bool = False
) -> dict[str, list[Row]]:
    """Rows of a trial, table by table; of one that cannot be evaluated that which says why."""
    trial: Row = {"study_date": _dated_name(path), "judged": int(verdicts)}
    try:
        study = read_study(path, encoding=encoding)
        study_date = _iso(study.date) or min(filter(None, map(_weighed, study.runs)), default="")
        trial |= {
            "title": study.title,
            "material": study.material,
            "study_date": study_date or trial["study_date"],
            "runs": len(study.runs),
            "groups": len({run.group for run in study.runs}),
            "warnings": sum(own[0].severity == "warning" for own in check_study(study).findings),
        }
        alone = replace(study, uncertainty={**study.uncertainty, "borrowing": False})
        law = prepare(alone, sources=measurement_sources(alone))
        return {
            "trials": [trial],
            "runs": [_run(run, str(trial["study_date"])) for run in law.runs],
            "sizes": _sizes(law),
            "means": list(_means(law)),
            "spreads": list(replicate_spreads(law)),
            "answers": list(_answers(study)) if verdicts else [],
        }
    except PsdstatsError as cause:
        refusal = str(cause)
    except Exception as fault:
        refusal = str(_unforeseen(fault))
    return {"trials": [trial | {"refusal": refusal}]}


def _unforeseen(fault: Exception) -> PsdstatsError:
    return PsdstatsError(
        f"psdstats itself failed on this trial ({type(fault).__name__}: {fault}). "
        "Please report this line; the other trials are evaluated."
    )


def _iso(text: object) -> str:
    """A date as year-month-day; empty where it is none."""
    try:
        return date.fromisoformat(str(text)).isoformat()
    except ValueError:
        return ""


def _dated_name(path: Path) -> str:
    """The date in the name of a trial, or of the folder it lies in."""
    whole = path.absolute()
    found = (_iso(one) for part in (whole.name, whole.parent.name) for one in _DATE.findall(part))
    return next(filter(None, found), "")


def _weighed(run: Run) -> str:
    return run.noted.get(WEIGHED_ON, "")


def _json(known: Mapping[str, object]) -> str:
    return json.dumps(known, ensure_ascii=False, sort_keys=True)


def _run(run: Run, study_date: str) -> Row:
    noted = {"replicate": run.replicate, "split": run.split, "charge": run.charge}
    return {
        "run": run.name,
        "run_group": run.group,
        TIME: run.milling_time_min,
        "run_date": _weighed(run) or study_date,
        "labels": _json(noted | dict(run.factors)),
    }


def _sizes(law: JointLaw) -> list[Row]:
    """One row a run and size: value, limits, u of its logarithm and whom its parts are shared with.

    Shares of u are told as coefficients by name, of which equal names mean equal errors.
    """
    u, (own_u, shared) = law.contributions.u, told_apart(law)
    at = (len(QUANTITIES) * law.order[:, None] + np.arange(len(QUANTITIES))).ravel()
    columns = {"run": "run", "quantity": "quantity", "value": "size"}
    columns |= {name: name for name in ("lower", "upper", "status")}
    found = law.linear().to_frame()[list(columns)].rename(columns=columns)
    short = ({name: float(f"{c:.6g}") for name, c in shared[k].items()} for k in at)
    rows = found.assign(u=u[at], own_u=own_u[at], shared=list(map(_json, short)))
    return [{str(name): one for name, one in row.items()} for row in rows.to_dict("records")]


def told_apart(law: JointLaw) -> tuple[Array, list[dict[str, float]]]:
    """What of each u of ln size is the run's own, and what it shares, by name.

    What only runs of this trial share (an empty sieve weighed once) begins with "trial"; errors
    between the sieves are one, of the stack.
    """
    matrix, of_input = law.contributions.matrix, np.array(_names(law), dtype=object)
    names = sorted({*of_input} - {"", _BETWEEN})
    of_name = sparse.csr_array(
        np.equal.outer(of_input, np.array(names, dtype=object)).astype(float)
    )
    squares = matrix.power(2)
    own, between = (squares @ (of_input == one).astype(float) for one in ("", _BETWEEN))
    stacks = [" ".join(f"{one:g}" for one in row) for row in law.arrays.aperture_um]
    shared, common = list[dict[str, float]](), (matrix @ of_name).toarray()
    for at, (row, least) in enumerate(zip(common, _SMALL * law.contributions.u, strict=True)):
        known = {names[k]: float(row[k]) for k in np.flatnonzero(row)}
        known[f"{_BETWEEN} {stacks[at // len(QUANTITIES)]}"] = float(between[at]) ** 0.5
        own[at] += sum(one**2 for one in known.values() if abs(one) < least)
        shared.append({name: one for name, one in known.items() if abs(one) >= least > 0})
    return np.where(law.contributions.known, np.sqrt(own), np.nan), shared


def _names(law: JointLaw) -> list[str]:
    """The name of what each input is shared as; none where it is a run's own."""
    of_run = sparse.kron(
        sparse.eye_array(len(law.runs)), np.ones((1, len(QUANTITIES))), format="csr"
    )
    runs = np.diff((of_run @ abs(law.contributions.matrix)).tocsc().indptr)
    names = []
    for count, identity in zip(runs, law.table.identity, strict=True):
        match identity:
            case "aperture", key if key in law.study.sieves:
                sieve = law.study.sieves[key]
                u = "" if sieve.u_um is None else f" ± {sieve.u_um:.6g}"
                names.append(f"sieve {key}: {sieve.best_um:.6g}{u}")
            case "aperture", what, name:
                names.append(f"{what} {name}")
            case "calibration", "slope", balance:
                names.append(f"balance {balance}")
            case "calibration", "linearity", "tare", sieve_key, balance:
                names.append(f"balance {balance} under empty {sieve_key}")
            case "between_sieves", *_:
                names.append(_BETWEEN)
            case source, *own:
                names.append(" ".join([OF_TRIAL, source, *map(str, own)]) if count > 1 else "")
    return names


def _means(law: JointLaw) -> Iterator[Row]:
    """Mean of the runs of each milling time, at each level of the further factors that cross it.

    Its limits are two standard uncertainties of the measurement either way; where a run lies beyond
    the sieves there is no mean, and the limits are its bounds.
    """
    cells = _cells(law)
    alike = list(dict.fromkeys(cells))
    mean = _means_of(cells)
    for place, quantity in enumerate(QUANTITIES):
        reach = _REACH * np.nan_to_num(_of_runs(law, place).contrasts(mean).u)
        for own, beyond, (where, time) in zip(mean, reach, alike, strict=True):
            rows = law.order[own > 0]
            with np.errstate(divide="ignore"):
                lower, upper = (
                    float(np.log(ends[rows, place]).mean())
                    for ends in (law.sizes.lower, law.sizes.upper)
                )
            yield {
                "quantity": quantity,
                "place": where,
                TIME: time,
                "runs": len(rows),
                "size": np.exp(lower) if lower == upper else None,
                "lower": np.exp(lower - beyond),
                "upper": np.exp(upper + beyond),
            }


def _means_of(labels: Sequence[Hashable]) -> Array:
    """Weights on the runs of the mean of those with each label, (k, R)."""
    same = np.array([[one == label for one in labels] for label in dict.fromkeys(labels)])
    return np.asarray(same / same.sum(axis=1, keepdims=True))


def _of_runs(law: JointLaw, place: int) -> Contributions:
    """What inputs add to ln of one quantity of the runs, in their order."""
    return law.contributions.rows(len(QUANTITIES) * law.order + place)


def _cells(law: JointLaw) -> list[tuple[str, float]]:
    """Level of the further factors, as `compare` takes them, and milling time of each run."""
    where, times = [""] * len(law.runs), [run.milling_time_min for run in law.runs]
    with suppress(ModelError):  # runs of one time, such as a feed alone
        plan = plan_comparison(law.study)
        runs = plan.with_where(law.study.runs_frame())
        if plan.by == TIME:
            where = [place for _, place in cell_texts(runs, plan)]
    return list(zip(where, times, strict=True))


def replicate_spreads(law: JointLaw) -> Iterator[Row]:
    """Scatter of ln size among runs alike, with what of it the measurement explains.

    Alike are runs of one group, milling time and level of every factor.  Charges that were sampled
    several times are levelled out; splits of one sample count as one run.

    Yields
    ------
    dict
        quantity; degrees of freedom; sum of squares about the means; its expectation by the joint
        covariance of the measurement alone.
    """
    is_split = any(run.split is not None for run in law.runs)
    samples = [run.sample if is_split else run.name for run in law.runs]
    runs = [law.runs[samples.index(sample)] for sample in dict.fromkeys(samples)]
    mean = _means_of(samples)
    for place, quantity in enumerate(QUANTITIES):
        known = ~np.isnan(law.value[:, place])
        kept = np.flatnonzero(mean @ ~known == 0)
        left = _about_cells([runs[k] for k in kept])
        df = round(float(np.trace(left)))
        if df < 1:
            continue
        y = mean[kept] @ np.where(known, np.log(law.value[:, place]), 0.0)
        covariance = _of_runs(law, place).contrasts(mean[kept]).covariance
        yield {
            "quantity": quantity,
            "df": df,
            "sum_of_squares": float(((left @ y) ** 2).sum()),
            "of_measurement": float((left * covariance).sum()),
        }


def _about_cells(runs: Sequence[Run]) -> Array:
    """What takes means of runs alike, and of charges that hold several, away from values (k,)."""
    cells = [(run.sample[:2], run.sample[4]) for run in runs]
    charges = [(run.group, run.charge) if run.charge else None for run in runs]
    shared = [one for one, count in Counter(charges).items() if one and count > 1]
    x = np.array(
        [
            [cell == one for one in dict.fromkeys(cells)] + [charge == one for one in shared]
            for cell, charge in zip(cells, charges, strict=True)
        ],
        dtype=float,
    )
    return np.eye(len(runs)) - x @ np.linalg.pinv(x) if runs else np.zeros((0, 0))


def _answers(study: Study) -> Iterator[Row]:
    """What `psdstats.compare` says: one row a course, else one a contrast of its first family.

    The spread between runs stands beside each; what cannot be told says why.
    """
    try:
        found = compare(study)
    except ModelError as cause:
        yield from (_untold(quantity, str(cause)) for quantity in QUANTITIES)
        return
    for result in found.results:
        if result.route is Route.NONE:
            why = cast("Remark", result.basis["reason"])
            yield _untold(result.quantity, _kinds([why]))
            continue
        spread = found.analysis[result.quantity].spread
        beside: Row = {
            "quantity": result.quantity,
            "run_percent": 100 * spread.run,
            "run_df": spread.df,
            "run_basis": spread.basis.value,
        }
        for course in result.courses:
            yield beside | _finding(course.fallen) | _course(course)
        for one in () if result.courses else result.findings:
            if one.subject.family == found.families[0]:
                place = {
                    "place": one.subject.where,
                    "first": one.subject.low,
                    "last": one.subject.high,
                }
                yield beside | _finding(one) | place


def _untold(quantity: str, reason: str) -> Row:
    return {"quantity": quantity, "verdict": Verdict.CANNOT_BE_TOLD.value, "reason": reason}


def _course(course: Course) -> Row:
    stop = course.stop
    return {
        "verdict": course.verdict.value,
        "place": course.where,
        "first": course.times[0],
        "last": course.times[-1],
        **_ratio(course.start, "start", "_size"),
        **_ratio(course.end, "end", "_size"),
        "since": course.since,
        "ending": None if stop is None else stop.ending.value,
        "enough_since": None if stop is None else stop.since,
    }


def _finding(finding: Finding) -> Row:
    return {
        **_ratio(finding.numbers, "ratio"),
        "df": finding.numbers.df,
        "p": finding.numbers.p_adjusted,
        "verdict": finding.verdict.value,
        "reason": _kinds(finding.reasons),
    }


def _ratio(numbers: Numbers, name: str, ending: str = "") -> Row:
    """A size or ratio with its limits, of its logarithm."""
    ends = {ending: numbers.estimate, "_lower": numbers.lower, "_upper": numbers.upper}
    with np.errstate(over="ignore"):
        return {f"{name}{end}": np.exp(one) for end, one in ends.items()}


def _kinds(reasons: Sequence[Remark]) -> str:
    return "; ".join(level_text(one.kind.value) for one in reasons)
