"""Columns of numbers that somebody chose: as many decimals as they need, no more."""

from __future__ import annotations

import pandas as pd

from psdstats.output.tables.columns import Column, Show

__all__ = ["number_column"]


def number_column(values: pd.Series, *, name: str, heading: str, unit: str = "") -> Column:
    """A column with the decimals its values need, such as apertures, times, resolutions.

    Parameters
    ----------
    values : Series
        The column's values; text is left as it is.
    name, heading, unit : str
        As in `Column`.

    Returns
    -------
    Column

    Examples
    --------
    >>> number_column(pd.Series([0.1, 0.01]), name="d", heading="resolution").decimals
    2
    """
    if not pd.api.types.is_numeric_dtype(values):
        return Column(name=name, heading=heading, unit=unit)
    known = values.dropna()
    decimals = max((len(f"{float(one):.6g}".partition(".")[2]) for one in known), default=0)
    return Column(name=name, heading=heading, unit=unit, show=Show.NUMBER, decimals=decimals)
