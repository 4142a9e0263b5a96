"""What can be asked of an archive: its tables, a chart of a size over dates, repeatability."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd

from psdstats.archive.charts import (
    ControlChart,
    Limits,
    Repeatability,
    chart_of,
    points_of,
    pooled,
)
from psdstats.archive.store import OF_TRIAL, Store
from psdstats.columns import QUANTITIES, TIME, column_words
from psdstats.errors import OutputError

if TYPE_CHECKING:
    from psdstats.study.cells import SourceFile
    from psdstats.study.settings import Declared

_LEAST_PERCENT = 0.001
_NO_LEVELS = ("trial", "sha256", "stamp", "made_by", "gone", "judged", "refusal")


@dataclass(frozen=True)
class Archive:
    """An archive of trials: one SQLite file, written by `psdstats.collect`.

    Parameters
    ----------
    path : Path
        The file.
    evaluated, unchanged : int
        Trials that the call of `collect` has evaluated, and that it found as they were.

    Raises
    ------
    OutputError
        When it is asked, if the file is no archive.

    Examples
    --------
    >>> import tempfile
    >>> from psdstats import collect
    >>> from psdstats_datasets import demo_study
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     found = collect([demo_study("one_bench")], f"{folder}/trials.sqlite")
    ...     found.title
    'trials.sqlite'
    """

    path: Path
    evaluated: int = 0
    unchanged: int = 0

    @property
    def title(self) -> str:
        """Its name, for the record of where numbers come from."""
        return self.path.name

    @property
    def files(self) -> tuple[SourceFile, ...]:
        """What it was read from: each trial with the digest of its files."""
        from psdstats.study.cells import SourceFile

        trials = self.trials_frame()
        return tuple(map(SourceFile, trials["path"], trials["sha256"]))

    def _list(self, of: str, quantity: str | None = None) -> pd.DataFrame:
        return Store(self.path).frame(f"{of}_list", quantity)

    def trials_frame(self) -> pd.DataFrame:
        """One row a trial: path, title, material, date, runs, groups, warnings, refusal, judged.

        Examples
        --------
        >>> import tempfile
        >>> from psdstats import collect
        >>> from psdstats_datasets import demo_study
        >>> with tempfile.TemporaryDirectory() as folder:
        ...     found = collect([demo_study("one_bench")], f"{folder}/trials.sqlite")
        ...     found.trials_frame()["runs"].tolist()
        [5]
        """
        return self._list("trial")

    def to_frame(self) -> pd.DataFrame:
        """One row a trial and size, or level of its further factors: from where to where it went.

        With the verdict where it was asked for: sizes and verdict are then those of `compare`
        (column sizes_by), else means of the runs by their own readings.

        Examples
        --------
        >>> import tempfile
        >>> from psdstats import collect
        >>> from psdstats_datasets import demo_study
        >>> with tempfile.TemporaryDirectory() as folder:
        ...     found = collect([demo_study("one_bench")], f"{folder}/trials.sqlite")
        ...     len(found.to_frame()) > 0
        True
        """
        return self._list("answer").drop(columns=["trial", "number"])

    def runs_frame(self, where: Mapping[str, str] | None = None) -> pd.DataFrame:
        """One row a run and size, with everything that the run table says.

        Parameters
        ----------
        where : mapping of str to str, optional
            Levels by column that the rows shall have.

        Examples
        --------
        >>> import tempfile
        >>> from psdstats import collect
        >>> from psdstats_datasets import demo_study
        >>> with tempfile.TemporaryDirectory() as folder:
        ...     found = collect([demo_study("one_bench")], f"{folder}/trials.sqlite")
        ...     found.runs_frame()["run"].nunique()
        5
        """
        found = self._runs(where).merge(self._list("size"), on=["trial", "run"], how="left")
        return found.drop(columns="trial")

    def _runs(self, where: Mapping[str, str] | None) -> pd.DataFrame:
        """One row a run, its labels as columns of their own."""
        runs = self._list("run").rename(columns={"run_group": "group"})
        labels = pd.DataFrame(map(json.loads, runs.pop("labels")), index=runs.index)
        further = labels[[name for name in labels.columns if name not in runs.columns]]
        return _where(pd.concat([runs, further], axis=1), where or {})

    def means_frame(self) -> pd.DataFrame:
        """One row a trial, milling time and size: mean of its runs by their own readings.

        Examples
        --------
        >>> import tempfile
        >>> from psdstats import collect
        >>> from psdstats_datasets import demo_study
        >>> with tempfile.TemporaryDirectory() as folder:
        ...     found = collect([demo_study("one_bench")], f"{folder}/trials.sqlite")
        ...     found.means_frame()["milling_time_min"].unique().tolist()
        [0.0, 6.0, 12.0, 24.0, 48.0]
        """
        return self._list("mean").drop(columns="trial")

    def chart(
        self,
        quantity: str = "D50",
        where: Mapping[str, str] | None = None,
        *,
        limits: Limits | str = Limits.BETWEEN,
    ) -> ControlChart:
        """Control chart of a size over dates.

        Parameters
        ----------
        quantity : {"D10", "D50", "D90", "span"}
            The size.
        where : mapping of str to str, optional
            Which runs: levels by column, such as ``{"group": "reference"}``.
        limits : {"between", "within"}
            What the limits allow for: what successive points differ by, or runs alike within a
            trial alone.

        Raises
        ------
        OutputError
            If the chosen runs are of several milling times, or too few have a date.

        Examples
        --------
        >>> import psdstats
        >>> import tempfile
        >>> from psdstats import collect
        >>> from psdstats_datasets import demo_study
        >>> with tempfile.TemporaryDirectory() as folder:
        ...     found = collect([demo_study("one_bench")], f"{folder}/trials.sqlite")
        ...     try:
        ...         found.chart("D50")
        ...     except psdstats.PsdstatsError as refusal:
        ...         type(refusal).__name__
        'OutputError'
        """
        if quantity not in QUANTITIES:
            raise OutputError(
                f"there is no quantity {quantity!r}; choose from {', '.join(QUANTITIES)}."
            )
        runs = self._runs(where)
        _ensure_alike(runs)
        runs = _once(runs[runs["run_date"].fillna("") != ""], self.trials_frame())
        runs = runs.merge(self._list("size", quantity), on=["trial", "run"]).dropna(subset="size")
        shared = [
            _named(json.loads(text), path)
            for text, path in zip(runs["shared"], runs["path"], strict=True)
        ]
        return chart_of(points_of(runs, shared), quantity, limits)

    def repeatability(self, where: Mapping[str, str] | None = None) -> tuple[Repeatability, ...]:
        """Spread among runs alike, pooled over trials, for each size that shows any.

        Parameters
        ----------
        where : mapping of str to str, optional
            Which trials: levels by column (material, title, path), others are not looked at.

        Examples
        --------
        >>> import tempfile
        >>> from psdstats import collect
        >>> from psdstats_datasets import demo_study
        >>> with tempfile.TemporaryDirectory() as folder:
        ...     found = collect([demo_study("one_bench")], f"{folder}/trials.sqlite")
        ...     found.repeatability()
        ()
        """
        trials = self.trials_frame()
        known = {name: level for name, level in (where or {}).items() if name in trials.columns}
        spreads = self._list("spread").merge(
            _once(_where(trials, known), trials)[["path"]], on="path"
        )
        return tuple(
            pooled(name, spreads[spreads["quantity"] == name])
            for name in QUANTITIES
            if (spreads["quantity"] == name).any()
        )

    def run_to_run(self) -> Declared:
        """The same as `compare` takes it for trials of single runs, size by size.

        Raises
        ------
        OutputError
            If no trial holds runs alike.

        Notes
        -----
        Where the measurement explains all the scatter, or next to all of it, the scatter itself
        stands for it: it cannot be more.

        Examples
        --------
        >>> import psdstats
        >>> import tempfile
        >>> from psdstats import collect
        >>> from psdstats_datasets import demo_study
        >>> with tempfile.TemporaryDirectory() as folder:
        ...     found = collect([demo_study("one_bench")], f"{folder}/trials.sqlite")
        ...     try:
        ...         found.run_to_run()
        ...     except psdstats.PsdstatsError as refusal:
        ...         type(refusal).__name__
        'OutputError'
        """
        from psdstats.study.settings import Declared

        found = {
            one.quantity: Declared(percent=one.percent, df=one.df)
            if one.df >= 1
            else Declared(percent=max(one.scatter_percent, _LEAST_PERCENT), df=one.runs_df)
            for one in self.repeatability()
        }
        if not found:
            raise OutputError(
                f"no trial of {self.path} holds runs alike, so how far runs differ is not known; "
                "give a percentage, such as 2.5:8."
            )
        return replace(found.get("D50") or next(iter(found.values())), each=found)


def _ensure_alike(runs: pd.DataFrame) -> None:
    """Refuse runs of several milling times, of which a mean says nothing."""
    times = sorted({float(one) for one in runs[TIME]})
    if len(times) > 1:
        listed = ", ".join(f"{one:g}" for one in times[:8]) + (", …" if times[8:] else "")
        raise OutputError(
            f"the runs differ in {column_words(TIME)} ({listed} min), and their mean says nothing; "
            f"choose with --where {TIME}={times[0]:g}."
        )


def _named(shared: dict[str, float], path: str) -> dict[str, float]:
    """Shared errors by name; those of one trial by its path too."""
    return {
        f"{path} {name}" if name.startswith(f"{OF_TRIAL} ") else name: one
        for name, one in shared.items()
    }


def _once(rows: pd.DataFrame, trials: pd.DataFrame) -> pd.DataFrame:
    """Rows of trials of which no other has the same content; of those that do, the first."""
    first = trials.sort_values(["gone", "path"]).drop_duplicates("sha256")
    return rows[rows["path"].isin(first["path"])]


def _where(frame: pd.DataFrame, asked: Mapping[str, str]) -> pd.DataFrame:
    """Rows with these levels; text is compared with text, and numbers as numbers."""
    for column, level in asked.items():
        if column not in frame.columns:
            known = ", ".join(str(one) for one in frame.columns if one not in _NO_LEVELS)
            raise OutputError(f"no run has a column {column!r}. Choose from {known}.")
        same = frame[column].map(str) == level
        if (number := pd.to_numeric(level, errors="coerce")) == number:
            same |= pd.to_numeric(frame[column], errors="coerce") == number
        if not same.any():
            levels = sorted({str(one) for one in frame[column].dropna()})
            more = f" and {len(levels) - 8} more" if len(levels) > 8 else ""
            raise OutputError(
                f"no run has {column} = {level}. There is {', '.join(levels[:8])}{more}."
            )
        frame = frame[same]
    return frame
