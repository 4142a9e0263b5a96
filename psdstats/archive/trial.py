"""What one trial says, as plain values for the tables of an archive.

Sizes of runs are those by their own readings (nothing is borrowed across the trial), so that a
point of a chart does not move with what else was in its trial.  An error is told apart by whom it
is shared with: a sieve's, a balance's and that of the curve between the same sieves come again in
every trial that used them, all others are the run's own.

Verdicts are, when quick, from the same sizes with Student's t after Kenward and Roger; when
thorough those of `psdstats.compare`, number by number.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from pathlib import Path

import numpy as np

from psdstats.columns import QUANTITIES, TIME, WEIGHED_ON
from psdstats.comparison.analysis import Analysis, QuantityAnalysis, analyse
from psdstats.comparison.answers import answer, obstacle
from psdstats.comparison.compare import compare
from psdstats.comparison.plan import LevelTest, SpreadRule, plan_comparison
from psdstats.errors import ModelError, PsdstatsError
from psdstats.findings import ContrastKind, Course, Finding, Numbers, Remark, Verdict
from psdstats.frozen import Array
from psdstats.models.design_columns import level_text
from psdstats.study.check import check_study
from psdstats.study.reader import read_study
from psdstats.study.records import Run, Study
from psdstats.uncertainty.law import JointLaw, prepare
from psdstats.uncertainty.registry import measurement_sources

_TABLES = ("study.toml", "runs.csv", "weighings.csv", "sieves.csv")
_DATE = re.compile(r"(?<!\d)\d{4}-\d{2}-\d{2}(?!\d)")
_SMALL = 0.01  # share of u below which a shared error is counted as the run's own
Row = dict[str, object]


@dataclass(frozen=True, kw_only=True)
class TrialRows:
    """Rows of one trial, table by table; of a trial that was refused the first alone."""

    trial: Row
    answers: list[Row] = field(default_factory=list)
    runs: list[Row] = field(default_factory=list)
    sizes: list[Row] = field(default_factory=list)
    spreads: list[Row] = field(default_factory=list)


def is_trial(folder: Path) -> bool:
    """Whether a folder is a study, by the names of its files."""
    return any((folder / name).is_file() for name in _TABLES)


def stamp(path: Path) -> tuple[str, int]:
    """Size and time of each file of a trial, as text, and the latest of these times, ns."""
    found = [(one.name, one.stat()) for one in _files(path)]
    text = ";".join(f"{name}:{own.st_size}:{own.st_mtime_ns}" for name, own in found)
    return text, max((own.st_mtime_ns for _, own in found), default=0)


def digest(path: Path) -> str:
    """SHA-256 over the names and the content of the files of a trial."""
    whole = hashlib.sha256()
    for one in _files(path):
        name = one.name if path.is_dir() else one.suffix.lower()  # a copy may have another name
        whole.update(f"{name}:{hashlib.sha256(one.read_bytes()).hexdigest()}\n".encode())
    return whole.hexdigest()


def _files(path: Path) -> list[Path]:
    if not path.is_dir():
        return [path]
    return [path / name for name in _TABLES if (path / name).is_file()]


def trial_rows(path: Path, *, encoding: str | None = None, thorough: bool = False) -> TrialRows:
    """All rows of a trial; one that cannot be evaluated says why."""
    known: Row = {"study_date": _dated_name(path), "refusal": None}
    try:
        study = read_study(path, encoding=encoding)
        study_date = _iso(study.date) or min(filter(None, map(_weighed, study.runs)), default="")
        known |= {
            "title": study.title,
            "material": study.material,
            "study_date": study_date or known["study_date"],
            "runs": len(study.runs),
            "groups": len({run.group for run in study.runs}),
            "warnings": sum(own[0].severity == "warning" for own in check_study(study).findings),
        }
        return _evaluated(study, known, thorough=thorough)
    except PsdstatsError as cause:
        return TrialRows(trial=known | {"refusal": str(cause)})
    except Exception as fault:
        return TrialRows(trial=known | {"refusal": refused_by(fault)})


def refused_by(fault: Exception) -> str:
    """Refusal of a trial that psdstats did not foresee: the others go on."""
    error = PsdstatsError(
        f"psdstats itself failed on this trial ({type(fault).__name__}: {fault}). "
        "Please report this line; the other trials are evaluated."
    )
    return str(error)


def _evaluated(study: Study, known: Row, *, thorough: bool) -> TrialRows:
    alone = replace(study, uncertainty={**study.uncertainty, "borrowing": False})
    law = prepare(alone, sources=measurement_sources(alone))
    return TrialRows(
        trial=known,
        answers=list(_verdicts(study) if thorough else _quick_verdicts(alone)),
        runs=[_run(run, str(known["study_date"])) for run in law.runs],
        sizes=list(_sizes(law)),
        spreads=list(replicate_spreads(law)),
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


def _run(run: Run, study_date: str) -> Row:
    noted = {"replicate": run.replicate, "split": run.split, "charge": run.charge}
    return {
        "run": run.name,
        "run_group": run.group,
        "milling_time_min": run.milling_time_min,
        "run_date": _weighed(run) or study_date,
        "labels": json.dumps(noted | dict(run.factors), ensure_ascii=False, sort_keys=True),
    }


def _sizes(law: JointLaw) -> Iterator[Row]:
    """One row a run and size: value, limits, u of its logarithm and whom its parts are shared with.

    Shares of u are told as coefficients by name, of which equal names mean equal errors.
    """
    found, names = law.linear(), shared_names(law)
    for run, row in enumerate(law.order.tolist()):
        for place, quantity in enumerate(QUANTITIES):
            acting = law.contributions.matrix[[len(QUANTITIES) * row + place]].tocoo()
            u = float(np.sqrt((acting.data**2).sum()))
            own, shared = _parts(acting.col.tolist(), acting.data.tolist(), names[row], _SMALL * u)
            value = _number(found.value[run, place])
            yield {
                "run": law.runs[run].name,
                "quantity": quantity,
                "size": value,
                "lower": _number(found.lower[run, place]),
                "upper": _number(found.upper[run, place]),
                "status": str(found.status[run][place]),
                "u": u if value else None,
                "own_u": own if value else None,
                "shared": json.dumps(shared, ensure_ascii=False, sort_keys=True),
            }


def _parts(
    inputs: list[int], coefficients: list[float], names: Mapping[int, str], least: float
) -> tuple[float, dict[str, float]]:
    """What of an uncertainty is a run's own, and what it shares, by name."""
    own, shared, between = 0.0, dict[str, float](), dict[str, float]()
    for number, coefficient in zip(inputs, coefficients, strict=True):
        name = names.get(number, "")
        if name.startswith(_BETWEEN):
            between[name] = between.get(name, 0.0) + coefficient**2
        elif name:
            shared[name] = shared.get(name, 0.0) + coefficient
        else:
            own += coefficient**2
    shared |= {name: square**0.5 for name, square in between.items()}
    own += sum(one**2 for one in shared.values() if abs(one) < least)
    return own**0.5, {name: one for name, one in shared.items() if abs(one) >= least}


_BETWEEN, _OF_TRIAL = "between sieves", "trial"


def is_of_trial(name: str) -> bool:
    """Whether an error is shared by runs of one trial alone."""
    return name.split(" ", 1)[0] == _OF_TRIAL


def shared_names(law: JointLaw) -> list[dict[int, str]]:
    """For each row of a law the names of the inputs that it shares with other runs.

    What only runs of this trial share (an empty sieve weighed once) begins with "trial".
    """
    count = np.diff(law.contributions.matrix.tocsc().indptr)
    rows = np.arange(len(law.arrays.runs))
    of_run = law.contributions.matrix.tocsc()
    names: dict[int, str] = {}
    for number, (source, *own) in enumerate(law.table.identity):
        touched = set(of_run.indices[of_run.indptr[number] : of_run.indptr[number + 1]] // 4)
        match source, own:
            case "aperture", [key] if key in law.study.sieves:
                sieve = law.study.sieves[key]
                u = "" if sieve.u_um is None else f" ± {sieve.u_um:.6g}"
                names[number] = f"sieve {key}: {sieve.best_um:.6g}{u}"
            case "aperture", [what, name]:
                names[number] = f"{what} {name}"
            case "calibration", ["slope", balance]:
                names[number] = f"balance {balance}"
            case "calibration", ["linearity", "tare", sieve_key, balance]:
                names[number] = f"balance {balance} under empty {sieve_key}"
            case "between_sieves", _:
                continue
            case _ if count[number] and len(touched) > 1:
                names[number] = " ".join([_OF_TRIAL, source, *map(str, own)])
    open_ones = [n for n, one in enumerate(law.table.identity) if one[0] == "between_sieves"]
    stacks = [" ".join(f"{one:g}" for one in law.arrays.aperture_um[row]) for row in rows]
    return [names | dict.fromkeys(open_ones, f"{_BETWEEN} {stack}") for stack in stacks]


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
    samples = list(dict.fromkeys(run.sample for run in law.runs))
    number = {sample: k for k, sample in enumerate(samples)}
    of_run = np.array([number[run.sample] for run in law.runs])
    if all(run.split is None for run in law.runs):
        of_run = np.arange(len(law.runs))
    first = [law.runs[int(np.flatnonzero(of_run == k)[0])] for k in range(of_run.max() + 1)]
    cells = [(run.sample[0], run.sample[1], run.sample[4]) for run in first]
    charges = [(run.group, run.charge) for run in first]
    for place, quantity in enumerate(QUANTITIES):
        known = ~np.isnan(law.value[:, place])
        kept = [k for k in range(len(first)) if known[of_run == k].all()]
        mean = np.array([(of_run == k) / (of_run == k).sum() for k in kept])
        design = _design([cells[k] for k in kept], [charges[k] for k in kept])
        if len(kept) <= design.shape[1]:
            continue
        basis, size, _ = np.linalg.svd(design, full_matrices=False)
        basis = basis[:, size > 1e-9 * size[0]]
        df = len(kept) - basis.shape[1]
        if df < 1:
            continue
        rows = len(QUANTITIES) * law.order + place
        y = mean @ np.where(known, np.log(law.value[:, place]), 0.0)
        acting = mean @ law.contributions.matrix[rows].toarray()
        yield {
            "quantity": quantity,
            "df": df,
            "sum_of_squares": float(((y - basis @ (basis.T @ y)) ** 2).sum()),
            "of_measurement": float(((acting - basis @ (basis.T @ acting)) ** 2).sum()),
        }


def _design(cells: list[tuple[object, ...]], charges: list[tuple[object, ...]]) -> Array:
    """Columns of the cells, and of charges that hold several runs."""
    several = [one for one in dict.fromkeys(charges) if one[1] and charges.count(one) > 1]
    return (
        np.column_stack(
            [
                *([cell == one for cell in cells] for one in dict.fromkeys(cells)),
                *([charge == one for charge in charges] for one in several),
            ]
        ).astype(float)
        if cells
        else np.zeros((0, 0))
    )


def _verdicts(study: Study) -> Iterator[Row]:
    """Those of the command compare."""
    try:
        found = compare(study)
    except ModelError as cause:
        yield from _untold(str(cause))
        return
    for result in found.results:
        first = [one for one in result.findings if one.subject.family is ContrastKind.AGAINST_FIRST]
        yield from _answers(found.analysis, result.quantity, result.courses, first)


def _quick_verdicts(study: Study) -> Iterator[Row]:
    """Courses alone, by Student's t after Kenward and Roger."""
    try:
        plan = plan_comparison(study, test=LevelTest.KENWARD_ROGER)
        if plan.spread is SpreadRule.EACH_CONTRAST:
            yield from _verdicts(study)
            return
        analysis = analyse(study, plan)
    except ModelError as cause:
        yield from _untold(str(cause))
        return
    for quantity, one in analysis.quantities.items():
        why = obstacle(one)
        if why is not None:
            yield _untold_of(quantity, _kinds([why]))
            continue
        try:
            found = answer(one, () if plan.by == TIME else (ContrastKind.AGAINST_FIRST,))
        except ModelError as cause:
            yield _untold_of(quantity, str(cause))
            continue
        yield from _answers(analysis, quantity, found.courses, found.findings)


def _untold(reason: str) -> Iterator[Row]:
    for quantity in QUANTITIES:
        yield _untold_of(quantity, reason)


def _untold_of(quantity: str, reason: str) -> Row:
    return {"quantity": quantity, "verdict": Verdict.CANNOT_BE_TOLD.value, "reason": reason}


def _answers(
    analysis: Analysis, quantity: str, courses: tuple[Course, ...], findings: Sequence[Finding]
) -> Iterator[Row]:
    """One row a course; where nothing was milled for several times, one a level against the first.

    The spread between runs stands beside each.
    """
    one: QuantityAnalysis = analysis[quantity]
    spread = {
        "run_percent": _number(100 * one.spread.run),
        "run_df": _number(one.spread.df),
        "run_basis": one.spread.basis.value,
    }
    for course in courses:
        stop = course.stop
        yield {
            **_contrast(course.fallen),
            "place": course.where,
            "first": course.times[0],
            "last": course.times[-1],
            **_ends(course.start, "start"),
            **_ends(course.end, "end"),
            "since": course.since,
            "ending": None if stop is None else stop.ending.value,
            "enough_since": None if stop is None else stop.since,
            **spread,
            "quantity": quantity,
        }
    for finding in () if courses else findings:
        subject = finding.subject
        place = {"place": subject.where, "first": subject.low, "last": subject.high}
        yield _contrast(finding) | place | spread | {"quantity": quantity}


def _contrast(finding: Finding) -> Row:
    numbers = finding.numbers
    ends = ("estimate", "lower", "upper")
    with np.errstate(over="ignore"):
        ratio = {name: _number(np.exp(getattr(numbers, name))) for name in ends}
    return {
        "ratio": ratio["estimate"],
        "ratio_lower": ratio["lower"],
        "ratio_upper": ratio["upper"],
        "df": _number(numbers.df),
        "p": _number(numbers.p),
        "verdict": finding.verdict.value,
        "reason": _kinds(finding.reasons),
    }


def _ends(numbers: Numbers, name: str) -> Row:
    with np.errstate(over="ignore"):
        return {
            f"{name}_size": _number(np.exp(numbers.estimate)),
            f"{name}_lower": _number(np.exp(numbers.lower)),
            f"{name}_upper": _number(np.exp(numbers.upper)),
        }


def _kinds(reasons: Sequence[Remark]) -> str:
    return "; ".join(level_text(one.kind.value) for one in reasons)


def _number(value: float) -> float | None:
    """A number as a table holds it: nothing where there is none, or no end."""
    return float(value) if np.isfinite(value) else None
