"""Zeta and E_n: textbook form and a published example."""

from __future__ import annotations

import numpy as np
import pytest

from psdstats.comparison.groups import signal, zeta
from psdstats.findings import Numbers


def test_independent_results_give_the_textbook_form():
    """ISO 13528: zeta = (x - X)/√(u_x² + u_X²) (from memory)."""
    found = zeta(Numbers(estimate=0.6, u=float(np.hypot(0.2, 0.1))))
    assert found == pytest.approx(0.6 / np.hypot(0.2, 0.1))
    assert np.isnan(zeta(Numbers(estimate=0.6, u=0.0)))


@pytest.mark.parametrize(("x", "printed"), [(1.006, 0.393), (0.996, -0.262), (0.998, -0.131)])
def test_nist_e_n_example(x, printed):
    """NIST Dataplot reference, ISO 13528 EN SCORE (read): x_ref 1 on the gear data.

    The example takes 2 s of a batch as its expanded uncertainty and 2 s of all data as that of the
    reference, and prints E_n to three decimals.  Standard deviations of GEAR.DAT (from memory):
    batch 1 0.004346, all data 0.006279.
    """
    found = zeta(Numbers(estimate=x - 1.0, u=float(np.hypot(0.004346, 0.006279))))
    assert found / 2 == pytest.approx(printed, abs=6e-4)


def test_findings_follow_two_and_three():
    assert [signal(one) for one in (1.9, 2.5, -3.5)] == ["", "warning signal", "action signal"]
