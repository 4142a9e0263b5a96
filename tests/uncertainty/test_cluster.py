"""The same result from a real local Dask cluster."""

import numpy as np
import pytest
from distributed import LocalCluster

from psdstats.errors import UncertaintyError
from psdstats.uncertainty import propagate


def test_a_dask_cluster_gives_the_same_result(milling):
    here = propagate(milling, seed=3, draws=210_000)
    with LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None
    ) as cluster:
        there = propagate(milling, seed=3, draws=210_000, cluster=cluster.scheduler_address)
    np.testing.assert_array_equal(here.lower, there.lower)
    np.testing.assert_array_equal(here.log_covariance_matrix, there.log_covariance_matrix)
    assert here.draws == there.draws


def test_no_scheduler_at_the_address(milling, monkeypatch):
    monkeypatch.setattr("psdstats.processes._ANSWER_WITHIN", "500ms")
    with pytest.raises(UncertaintyError, match="no Dask scheduler answers at 'nowhere:1'"):
        propagate(milling, draws=10_000, cluster="nowhere:1")


@pytest.mark.parametrize("workers", [0, 1.5, True])
def test_workers_are_whole_numbers(milling, workers):
    with pytest.raises(UncertaintyError, match="workers is"):
        propagate(milling, draws=10_000, workers=workers)
