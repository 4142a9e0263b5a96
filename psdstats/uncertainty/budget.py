"""The same study with one thing changed: what a better balance or sieve would buy.

Each change gives a study back, so that every source sees it the way it sees the real one.

A budget in a few rows: the typical run, and what a change makes of the typical uncertainty.

Standard uncertainties in per cent; over runs or differences they are combined as root mean squares
(so that variances are averaged), over sources as root sums of squares (sources are independent).
Sizes and differences without a value count in no mean.

Uncertainty budget: which source makes which share, and what a change would buy.

By the linear law, for every size of every run and for every difference between levels of a column
(milling times): the logarithm of the ratio of their geometric means.  Shares are of variance; u of
a size is relative, u of a difference is that of the ratio, both in per cent.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import combinations

import numpy as np
import pandas as pd
from scipy import sparse

from psdstats.columns import QUANTITIES, QUANTITY_UNITS, TIME
from psdstats.errors import UncertaintyError
from psdstats.findings import Remark
from psdstats.present import Shown
from psdstats.sieves.standards import Sieve, tolerance_um
from psdstats.study.aside import every_note
from psdstats.study.records import Balance, Run, Study, TareHandling
from psdstats.uncertainty.inputs import Kind, Source
from psdstats.uncertainty.law import JointLaw, prepare

_FINER = 10.0
_CERTIFIED_SHARE = 0.25
_ALIKE = 1e-9  # relative difference below which uncertainties are the same
_BUDGET_COLUMNS = (
    "run", "quantity", "source", "input", "inputs", "estimate", "unit", "u", "distribution",
    "degrees_of_freedom", "sensitivity", "u_percent", "u_size", "share",
)  # fmt: skip
_SHARE_COLUMNS = ("quantity", "source", "balance_limited", "u_percent", "share")


def changed_studies(study: Study) -> dict[str, Study]:
    """The study with one thing changed, by the name of the change; cheapest to state first.

    A finer balance has resolution, repeatability, linearity and drift a tenth of what they are, and
    its slope as it is; a certified sieve has U = Y/4 (common practice, no source), k = 2.
    """
    found = {
        "balance ten times finer": replace(
            study, balances={name: _finer(balance) for name, balance in study.balances.items()}
        ),
        "twice the sample": replace(study, runs=tuple(_twice(run) for run in study.runs)),
    }
    if not all(sieve.is_certified for sieve in study.sieves.values()):
        sieves = {key: _certified(sieve) for key, sieve in study.sieves.items()}
        found["certified sieves"] = replace(study, sieves=sieves)
    if study.tares is TareHandling.ONCE:
        found["tares weighed each run"] = replace(study, tares=TareHandling.EACH_RUN)
    return found


def _finer(balance: Balance) -> Balance:
    finer = {
        name: value / _FINER
        for name, value in vars(balance).items()
        if name in ("resolution_g", "repeatability_g", "linearity_g", "drift_g") and value
    }
    return replace(balance, **finer)


def _twice(run: Run) -> Run:
    readings = tuple(
        replace(reading, gross_g=reading.tare_g + 2 * reading.net_g) for reading in run.readings
    )
    sample = None if run.sample_mass_g is None else 2 * run.sample_mass_g
    return replace(run, readings=readings, sample_mass_g=sample)


def _certified(sieve: Sieve) -> Sieve:
    if sieve.is_certified:
        return sieve
    u_um = _CERTIFIED_SHARE * tolerance_um(sieve.nominal_um, standard=sieve.standard)
    return replace(
        sieve, certified_um=sieve.best_um, expanded_uncertainty_um=u_um, coverage_factor=2.0
    )


def typical_run(budget: Budget) -> pd.DataFrame:
    """Budget of the typical run: means over all runs that have a value."""
    known = budget.runs.dropna(subset=["share"])
    grouped = known.groupby(["quantity", "source", "balance_limited"], sort=False, observed=True)
    return grouped.agg(u_percent=("u_percent", _root_mean), share=("share", "mean")).reset_index()


def combined_percent(part: pd.DataFrame) -> pd.Series:
    """Standard uncertainty of each quantity from all its sources."""
    squares = (part["u_percent"] ** 2).groupby(part["quantity"], sort=False).sum()
    return pd.Series(np.sqrt(squares), name="u_percent")


def _root_mean(u_percent: pd.Series) -> float:
    return float(np.sqrt((u_percent**2).mean()))


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class Budget(Shown):
    """Budget tables of a study.

    Attributes
    ----------
    runs : DataFrame
        run, quantity, source, balance_limited, u_percent (of this source alone), share (of the
        variance); sources of the balance first.  NaN where a size has no value.
    differences : DataFrame
        quantity, level, versus, source, balance_limited, u_percent, share.
    inputs : DataFrame
        As `input_budget` gives it.
    what_if : DataFrame
        scope ("run" or "difference"), run, level, versus, quantity, change, u_now_percent,
        u_then_percent, factor (then over now).
    by : str
        Column whose levels the differences compare.
    sources, sources_left_out : tuple of str
        What was counted and what was not.
    notes : tuple of (Remark or str)
        Assumptions; text is that of the study.

    Examples
    --------
    >>> import psdstats
    >>> from psdstats.uncertainty.budget import budget
    >>> from psdstats_datasets import demo_study
    >>> study = psdstats.read_study(demo_study("one_bench"))
    >>> shares = budget(study)
    >>> shares.by, shares.sources[:2]
    ('milling_time_min', ('rounding', 'repeatability'))
    """

    runs: pd.DataFrame
    differences: pd.DataFrame
    inputs: pd.DataFrame
    what_if: pd.DataFrame
    by: str
    sources: tuple[str, ...]
    sources_left_out: tuple[str, ...]
    notes: tuple[Remark | str, ...]

    def to_frame(self) -> pd.DataFrame:
        """Shares in the typical run, then in one difference a quantity.

        Its columns: scope ("run" or "difference"), by, quantity, level, versus, source,
        balance_limited, u_percent, share.

        Examples
        --------
        >>> import psdstats
        >>> from psdstats.uncertainty.budget import budget
        >>> from psdstats_datasets import demo_study
        >>> study = psdstats.read_study(demo_study("one_bench"))
        >>> shares = budget(study)
        >>> shares.to_frame()[["scope", "quantity", "source"]].head(2)
          scope quantity         source
        0   run      D10       rounding
        1   run      D10  repeatability
        """
        return self._divided.copy()

    @cached_property
    def _divided(self) -> pd.DataFrame:
        """What `to_frame` gives, made once: every table and sentence of the page asks for it."""
        parts = [typical_run(self).assign(scope="run", level=None, versus=None)]
        known = self.differences.dropna(subset=["share"])
        for _, own in known.groupby("quantity", sort=False):
            from_first = own[own["versus"] == own["versus"].min()]
            last = from_first[from_first["level"] == from_first["level"].max()]
            parts.append(last.assign(scope="difference"))
        rows = [row for part in parts for row in part.assign(by=self.by).to_dict("records")]
        return pd.DataFrame(rows, columns=["scope", "by", *self.differences.columns])

    def changes_frame(self) -> pd.DataFrame:
        """What each change makes of the uncertainties that `to_frame` divides.

        Its columns: scope, quantity, level, versus, change, u_now_percent, u_then_percent; of runs
        the root mean square.

        Examples
        --------
        >>> import psdstats
        >>> from psdstats.uncertainty.budget import budget
        >>> from psdstats_datasets import demo_study
        >>> study = psdstats.read_study(demo_study("one_bench"))
        >>> shares = budget(study)
        >>> shares.changes_frame()["change"].unique().tolist()
        ['balance ten times finer', 'twice the sample', 'certified sieves']
        """
        known = self.what_if[self.what_if["u_now_percent"].notna()]
        columns = ["u_now_percent", "u_then_percent"]
        keys = ["scope", "change", "quantity"]
        runs = known[known["scope"] == "run"].groupby(keys, sort=False, observed=True)
        typical = runs[columns].agg(_root_mean).reset_index().assign(level=None, versus=None)
        shown = self.to_frame()
        shown = shown[shown["scope"] == "difference"].drop_duplicates("quantity")
        own = shown[["scope", "quantity", "level", "versus"]].merge(known)
        columns = ["scope", "quantity", "level", "versus", "change", *columns]
        rows = [row for part in (typical, own) for row in part.to_dict("records")]
        return pd.DataFrame(rows, columns=columns)


def budget(
    study: Study,
    *,
    by: str = TIME,
    sources: Iterable[str | Source] | None = None,
    rule: str | None = None,
) -> Budget:
    """Share of each source in every size and in every difference between levels.

    Parameters
    ----------
    study : Study
        The weighings.
    by : str, default="milling_time_min"
        Column of the run table whose levels are compared.
    sources : iterable of str or Source, optional
        As in `propagate`.
    rule : str, optional
        Interpolation rule; the study's own if left out.

    Returns
    -------
    Budget
        Shares of the variance, for sizes and for differences.

    Raises
    ------
    UncertaintyError
        If the column does not exist, or as `propagate`.

    Examples
    --------
    >>> import psdstats
    >>> from psdstats.uncertainty.budget import budget
    >>> from psdstats_datasets import demo_study
    >>> study = psdstats.read_study(demo_study("one_bench"))
    >>> shares = budget(study)
    >>> [name for name in shares.differences if name.startswith("u_")]
    ['u_percent']
    """
    asked = None if sources is None else tuple(sources)
    law = prepare(study, sources=asked, rule=rule)
    frame = study.runs_frame().set_index("run")
    if by not in frame.columns:
        raise UncertaintyError(
            f"column {by!r} is not in the run table; it has {', '.join(map(str, frame.columns))}."
        )
    labels, weights = _contrasts(law, frame.loc[list(law.arrays.runs), by])
    shares, what_if = _shares(law, labels, weights), []
    now = 100 * law.contributions.contrasts(weights).u
    for change, study_then in changed_studies(study).items():
        # what the curve may do between the sieves stays: only the errors change
        changed = prepare(study_then, sources=asked, rule=rule, curves=law.curves)
        then = 100 * changed.contributions.contrasts(weights).u
        with np.errstate(invalid="ignore", divide="ignore"):
            factor = then / now
        what_if.append(
            labels.assign(change=change, u_now_percent=now, u_then_percent=then, factor=factor)
        )
    is_run = shares["scope"] == "run"
    return Budget(
        runs=shares.loc[is_run, ["run", *_SHARE_COLUMNS]].reset_index(drop=True),
        differences=shares.loc[~is_run, ["quantity", "level", "versus", *_SHARE_COLUMNS[1:]]]
        .reset_index(drop=True)
        .infer_objects(),
        inputs=input_budget(law),
        what_if=pd.concat(what_if, ignore_index=True),
        by=by,
        sources=law.table.sources,
        sources_left_out=law.sources.left_out,
        notes=(*every_note(study), *law.table.notes),
    )


def _contrasts(law: JointLaw, levels: pd.Series) -> tuple[pd.DataFrame, sparse.csr_array]:
    """Every size, then every difference between levels, as rows over the ln sizes of all runs.

    A difference is the mean over the runs of one level minus that over those of another, on ln.
    """
    shape, values = law.sizes.value.shape, levels.to_numpy()
    names: list[dict[str, object]] = [
        {"scope": "run", "run": run, "quantity": quantity}
        for run in law.arrays.runs
        for quantity in QUANTITIES
    ]
    rows = []
    for first, second in combinations(sorted(levels.dropna().unique()), 2):
        for column, quantity in enumerate(QUANTITIES):
            row = np.zeros(shape)
            for level, sign in ((second, 1.0), (first, -1.0)):
                row[values == level, column] = sign / np.count_nonzero(values == level)
            key = {"scope": "difference", "level": second, "versus": first}
            names.append({**key, "quantity": quantity})
            rows.append(row.ravel())
    labels = pd.DataFrame(names, columns=["scope", "run", "level", "versus", "quantity"])
    of_sizes = sparse.eye_array(law.sizes.value.size)
    differences = np.array(rows).reshape(len(rows), law.sizes.value.size)
    return labels, sparse.csr_array(sparse.vstack([of_sizes, sparse.csr_array(differences)]))


def _shares(law: JointLaw, labels: pd.DataFrame, weights: sparse.csr_array) -> pd.DataFrame:
    """What each source makes of every contrast; sources of the balance first."""
    parts = law.contributions.contrasts(weights)
    limited = [source.balance_limited for source in law.sources.included]
    order = sorted(range(len(limited)), key=lambda index: (not limited[index], index))
    table = labels.loc[labels.index.repeat(len(order))].reset_index(drop=True)
    return table.assign(
        source=[law.table.sources[index] for index in order] * len(labels),
        balance_limited=[limited[index] for index in order] * len(labels),
        u_percent=100 * np.sqrt(parts.by_source[:, order]).ravel(),
        share=parts.shares[:, order].ravel(),
    )


COMBINED = "combined"
"""In place of a source: all inputs together."""


def input_budget(law: JointLaw) -> pd.DataFrame:
    """What every input adds to every size, in the manner of the budgets of JCGM 100, annex H.

    Inputs of one kind (gross readings, tare readings) stand in one row, sieves in one each.

    Parameters
    ----------
    law : JointLaw
        The law of the study.

    Returns
    -------
    DataFrame
        run, quantity, source, input, inputs (how many), estimate, unit, u (of each), distribution,
        degrees_of_freedom, sensitivity (µm, for span 1, by one unit of the input; of single inputs
        alone), u_percent, u_size (what is added to the size in per cent, and in µm or 1), share.
        Squares of u_size add up to that of the row "combined", which closes each size.
    """
    keys = ["row", "column", "source", "input"]
    found = (
        _input_entries(law)
        .groupby(keys, as_index=False)
        .agg(
            inputs=("square", "size"),
            square=("square", "sum"),
            degrees_of_freedom=("freedom", "min"),  # readings of one kind share one estimate
            **{name: (name, "first") for name in ("part", "name", "place", "estimate", "unit")},
            **{f"{name}_u": ("u", name) for name in ("min", "max")},
            **{f"{name}_kind": ("kind", name) for name in ("min", "max")},
        )
    )
    found = found.sort_values(["row", "column", "source", "place"], kind="stable")
    single, kinds = found["inputs"] == 1, np.array([str(kind) for kind in Kind], dtype=object)
    is_one_kind = found["min_kind"] == found["max_kind"]
    found["source"] = np.array(law.table.sources, dtype=object)[found["source"]]
    found["input"] = found["name"].where(single & (found["unit"] != "1"), found["input"])
    found["estimate"] = found["estimate"].where(single)
    found["u"] = found["max_u"].where(found["max_u"] - found["min_u"] <= _ALIKE * found["max_u"])
    found["distribution"] = np.where(is_one_kind, kinds[found["min_kind"]], "")
    found["sensitivity"] = (found["part"] / found["u"]).where(single)
    return _with_totals(law, found)


def _with_totals(law: JointLaw, found: pd.DataFrame) -> pd.DataFrame:
    """Contributions as they are read, and a row for all inputs of a size together."""
    row, column = np.nonzero(~np.isnan(law.sizes.value))
    at, value = len(QUANTITIES) * row + column, law.sizes.value[row, column]
    u = law.contributions.u
    whole = {
        "row": row,
        "column": column,
        "source": COMBINED,
        "input": "",
        "estimate": value,
        "unit": np.array(QUANTITY_UNITS)[column],
        "u": u[at] * value,
        "square": u[at] ** 2,
        "degrees_of_freedom": law.contributions.effective_df[at],
    }
    both = pd.concat([found, pd.DataFrame(whole)], ignore_index=True)
    root, size = np.sqrt(both["square"]), law.sizes.value[both["row"], both["column"]]
    both["u_percent"], both["u_size"] = 100 * root, root * size
    both["sensitivity"] *= size
    both["share"] = both["square"] / u[len(QUANTITIES) * both["row"] + both["column"]] ** 2
    both["run"] = np.array(law.arrays.runs, dtype=object)[both["row"]]
    both["quantity"] = np.array(QUANTITIES)[both["column"]]
    ordered = both.iloc[np.lexsort((both["column"], np.argsort(law.order)[both["row"]]))]
    return ordered[list(_BUDGET_COLUMNS)].reset_index(drop=True)


def _input_entries(law: JointLaw) -> pd.DataFrame:
    """One row a size and input that adds to it."""
    matrix, table = law.contributions.matrix.tocoo(), law.table
    kept = matrix.data != 0
    row, column = np.divmod(matrix.row[kept], len(QUANTITIES))
    index, part = matrix.col[kept], matrix.data[kept]
    kinds = {kind: number for number, kind in enumerate(Kind)}
    first = np.array([one[1] for one in table.identity], dtype=object)[index]
    frame = pd.DataFrame(
        {
            "row": row,
            "column": column,
            "source": table.source[index],
            "input": np.where(first == np.array(law.arrays.runs, dtype=object)[row], "", first),
            "name": np.array([" ".join(one[1:]) for one in table.identity], dtype=object)[index],
            "index": index,
            "kind": np.array([kinds[kind] for kind in table.kind], dtype=np.intp)[index],
            "freedom": table.degrees_of_freedom[index],
            "part": part,
            "square": part**2,
        }
    )
    frame["name"] = frame["name"].where(frame["input"] != "", "")
    return frame.merge(_acted_on(law), on=["row", "index"], how="left")


def _acted_on(law: JointLaw) -> pd.DataFrame:
    """Where each input acts in each run, and how much; NaN where in more than one place."""
    arrays, parts = law.arrays, []
    for action, estimate, real, unit in (
        (law.table.on_mass, law.table.net_g, arrays.real, "g"),
        (law.table.on_aperture, arrays.aperture_um, arrays.real[:, 1:], "µm"),
        (law.table.on_ln_size, None, None, "1"),
    ):
        at = action.run, action.place
        frame = pd.DataFrame({"row": at[0], "index": action.input, "place": at[1], "unit": unit})
        frame["u"] = np.abs(action.coefficient)
        frame["estimate"] = np.nan if estimate is None else estimate[at]
        parts.append(frame if real is None else frame[real[at]])
    whole = pd.concat(parts, ignore_index=True)
    several = whole.duplicated(["row", "index"], keep=False)
    whole.loc[several, ["u", "estimate"]] = np.nan
    return whole.drop_duplicates(["row", "index"])
