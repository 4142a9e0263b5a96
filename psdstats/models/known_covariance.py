"""The known part of a covariance: checked, and put in the order of the rows it belongs to.

In the square of the response's unit.  Where it comes from is not known here.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from psdstats.errors import ModelError
from psdstats.wording import signed

__all__ = ["known_covariance"]

Array = NDArray[np.float64]


def known_covariance(known: ArrayLike | pd.DataFrame | None, frame: pd.DataFrame) -> Array | None:
    """V_known as an array in the order of the rows of a frame.

    Parameters
    ----------
    known : array_like or DataFrame, shape (n, n) or (B, n, n), or None
        A DataFrame whose index has the name of a column of the frame is taken by the labels in
        that column (and may hold further ones); one with the labels of the frame's own index by
        these; anything else in the order of the rows.
    frame : DataFrame, n rows
        What it belongs to.

    Raises
    ------
    ModelError
        If its shape or its labels do not fit, it is not symmetric, or it has a negative eigenvalue.

    Examples
    --------
    >>> frame = pd.DataFrame({"run": ["b", "a"]})
    >>> labels = pd.Index(["a", "b"], name="run")
    >>> known_covariance(pd.DataFrame(np.diag([1.0, 2.0]), labels, labels), frame)
    array([[2., 0.],
           [0., 1.]])
    """
    if known is None:
        return None
    if isinstance(known, pd.DataFrame):
        known = _in_order(known, frame)
    matrix, n = np.asarray(known, dtype=float), len(frame)
    if matrix.ndim not in (2, 3) or matrix.shape[-2:] != (n, n):
        raise ModelError(
            f"The known covariance has shape {matrix.shape}, but the frame has {n} rows; give one "
            f"row and one column for each of them, in their order."
        )
    if not np.isfinite(matrix).all():
        raise ModelError("The known covariance holds values that are not finite numbers.")
    size = float(np.abs(matrix).max(initial=0.0))
    if not np.allclose(matrix, np.swapaxes(matrix, -1, -2), rtol=0, atol=1e-9 * size):
        raise ModelError("The known covariance is not symmetric; check the order of its rows.")
    even: Array = 0.5 * (matrix + np.swapaxes(matrix, -1, -2))
    smallest = float(np.linalg.eigvalsh(even)[..., 0].min())
    if smallest < -1e-8 * size:
        raise ModelError(
            f"The known covariance has the negative eigenvalue {signed(smallest, '.3g')}, so it is "
            f"no covariance; check how it was made."
        )
    return even


def _in_order(known: pd.DataFrame, frame: pd.DataFrame) -> pd.DataFrame:
    """Rows and columns of a labelled covariance in the order of the frame."""
    named = known.index.name is not None and known.index.name in frame.columns
    wanted = pd.Index(frame[known.index.name]) if named else frame.index
    if not named and not (len(known) == len(wanted) and known.index.isin(wanted).all()):
        return known
    twice = known.index[known.index.duplicated()]
    if len(twice):
        raise ModelError(f"The known covariance has the label {twice[0]!r} twice; name each once.")
    for side, labels in (("row", known.index), ("column", known.columns)):
        missing = wanted[~wanted.isin(labels)]
        if len(missing):
            raise ModelError(
                f"The known covariance has no {side} {missing[0]!r}, which the frame has; give one "
                f"for each of its rows, or an array in their order."
            )
    ordered: pd.DataFrame = known.loc[wanted, wanted]
    return ordered
