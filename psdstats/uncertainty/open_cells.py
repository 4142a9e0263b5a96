"""Cells of a trial with a size that the sieves do not bracket.

Such a size is an open interval and cannot enter a mean.  Leaving out only the runs at fault would
favour the runs that happened to stay inside the stack, so the whole cell they belong to (such as
group and milling time) is set aside.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray


def in_open_cell(
    runs: pd.DataFrame, is_open: NDArray[np.bool_], cell: Sequence[str]
) -> NDArray[np.bool_]:
    """Which runs belong to a cell that holds an open value.

    Shapes: is_open (n,); gives (n,).

    Examples
    --------
    >>> runs = pd.DataFrame({"group": ["a", "a", "b"], "milling_time_min": [6.0, 6.0, 6.0]})
    >>> in_open_cell(runs, np.array([True, False, False]), ["group", "milling_time_min"])
    array([ True,  True, False])
    """
    keys = [runs[name].reset_index(drop=True) for name in cell]
    found = pd.Series(is_open).groupby(keys, dropna=False, observed=True).transform("any")
    return np.asarray(found, dtype=np.bool_)
