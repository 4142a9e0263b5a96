"""Where every group has one run the answer is that of one group: no more degrees of freedom."""

import numpy as np

from psdstats.rate.curve_fit import fit_curve
from psdstats.rate.curves import CURVES, CurveName
from psdstats.rate.run_sizes import run_sizes

TIMES = [0.0, 0.0, 10.0, 10.0, 20.0, 20.0]
SIZES = [251.0, 246.0, 201.0, 207.0, 168.0, 161.0]


def test_groups_of_one_run_are_judged_as_runs():
    apart, together = (
        fit_curve(CURVES[CurveName.CONSTANT], run_sizes(TIMES, SIZES, group=group))
        for group in (list("abcdef"), ["a"] * 6)
    )
    assert apart.data.blocks.shape == together.data.blocks.shape == (6, 0)
    np.testing.assert_allclose(apart.beta, together.beta)
    widths = [one.directions(np.eye(2)).half_width(0.05) for one in (apart, together)]
    np.testing.assert_allclose(widths[0], widths[1])
