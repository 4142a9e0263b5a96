"""The search on one value a time against whitened residuals of every run."""

import numpy as np
import pytest
from scipy.optimize import least_squares

from psdstats.rate.curves import CURVES, Constraint, CurveName, Search


@pytest.fixture(params=[CurveName.CONSTANT, CurveName.LIMIT, CurveName.POWER])
def search(request, make_sizes):
    """Fifteen runs at five times, whitened by a matrix that ties every run to every other."""
    data = make_sizes(replicates=3)
    root = np.random.default_rng(8).uniform(0.2, 1.0, (15, 15))
    whitener = 40 * (np.tril(root) + 2 * np.eye(15))
    vars(data)["whitener"] = whitener  # in place of that of its spread
    return Search(curve=CURVES[request.param], data=data)


def _residuals(search, beta):
    gap = search.data.ln_size - search.curve.log_size(search.data.time_min, beta)
    return search.data.whitener @ gap


def test_cost_is_that_of_every_run(search):
    (beta,), (cost,) = search.best(Constraint(search.curve), np.zeros(1))
    assert cost == pytest.approx((_residuals(search, beta) ** 2).sum(), rel=1e-10)


def test_no_step_from_there_is_better(search):
    """scipy, on the residuals of every run and started there, ends at the same cost."""
    (beta,), (cost,) = search.best(Constraint(search.curve), np.zeros(1))
    found = least_squares(
        lambda own: _residuals(search, own), beta, xtol=1e-15, ftol=1e-15, gtol=1e-15
    )
    assert cost == pytest.approx(2 * found.cost, rel=1e-10)
