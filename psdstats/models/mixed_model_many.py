"""One term tested in several responses, for example D10, D50, D90 and span of the same runs."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from psdstats.errors import ModelError
from psdstats.models.design_fixed import TermSpec
from psdstats.models.mixed_model_fit import MixedModelFit
from psdstats.models.mixed_model_tests import Method
from psdstats.models.multiplicity import Adjustment, adjust_p

__all__ = ["term_in_responses"]


def term_in_responses(
    fits: Sequence[MixedModelFit],
    term: TermSpec,
    *,
    method: Method | str = Method.KENWARD_ROGER,
    adjust: Adjustment | str = Adjustment.NONE,
) -> pd.DataFrame:
    """Test a term in every response.

    Parameters
    ----------
    fits : sequence of MixedModelFit
        From `fit_many`, at least one.
    term : str or tuple of str
        Term of the fixed part.
    method : {"kenward-roger", "satterthwaite"}
        Test.
    adjust : {"none", "holm", "bonferroni"}
        Control of the family-wise error across the responses; none unless asked for.

    Returns
    -------
    DataFrame
        Columns response, term, f, df_num, df_den, p, p_adjusted, status.

    Raises
    ------
    ModelError
        If there are no fits, or the adjustment needs more than p-values.
    """
    if not fits:
        raise ModelError("No fits were given; fit at least one response.")
    tests = [fit.test(term, method=method) for fit in fits]
    table = pd.DataFrame(
        {
            "response": [fit.model.response for fit in fits],
            "term": [test.term for test in tests],
            "f": [test.f for test in tests],
            "df_num": [test.df_num for test in tests],
            "df_den": [test.df_den for test in tests],
            "p": [test.p for test in tests],
        }
    )
    table["p_adjusted"] = adjust_p(table["p"].to_numpy(), kind=adjust)
    table["status"] = [test.status for test in tests]
    return table
