"""A real Dask cluster on this computer: the same bits, also where a worker is killed meanwhile."""

import os
import pickle
import signal
from contextlib import contextmanager
from shutil import copy

import numpy as np
import pandas as pd
import pytest
from distributed import Client, LocalCluster
from psdstats_datasets import demo_study

from psdstats import propagate, read_study
from psdstats.archive import collect
from psdstats.errors import UncertaintyError
from psdstats.models import MixedModel
from psdstats.models.resampling import bootstrap_test, permutation_test
from psdstats.planning import (
    ExpectedPowder,
    PlannedWeighing,
    Variation,
    choose_sieves,
    power,
    precision,
)
from psdstats.processes import mapped


@pytest.fixture(scope="module")
def cluster():
    with LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, dashboard_address=":0"
    ) as made:
        yield made.scheduler_address


@pytest.fixture(scope="module")
def bench():
    """One bench, one run a time: fast."""
    return read_study(demo_study("one_bench"))


@contextmanager
def killing(address, at=1):
    """Progress that kills a worker of the cluster once so much is done."""
    with Client(address, set_as_default=False) as client:
        victims = list(client.run(os.getpid).values())
    told = []

    def progress(done, _):
        told.append(done)
        if len(told) == at:
            os.kill(victims[0], signal.SIGKILL)

    yield progress
    assert len(told) > at, "it was over before a worker was killed"


def bits(result):
    """What a result is made of, to the last bit."""
    if isinstance(result, pd.DataFrame):
        return bits({name: result[name].to_numpy() for name in result})
    if isinstance(result, dict):
        return [(name, bits(one)) for name, one in result.items()]
    if isinstance(result, list | tuple):
        return [bits(one) for one in result]
    if isinstance(result, np.ndarray) and result.dtype != object:
        return result.tobytes()
    return bits(vars(result)) if hasattr(result, "__dataclass_fields__") else pickle.dumps(result)


def test_draws(bench, cluster):
    here, there = (
        propagate(bench, seed=3, draws=110_000, cluster=address) for address in (None, cluster)
    )
    assert bits(here) == bits(there)


def test_power_and_the_smallest_design(cluster):
    asked = {"groups": 3, "times": 2, "replicates": (1, 2), "trials": 200, "seek_smallest": True}
    here = power(Variation(run_percent=3.0), **asked)
    with killing(cluster) as progress:
        there = power(Variation(run_percent=3.0), **asked, cluster=cluster, progress=progress)
    assert bits(here) == bits(there)
    pd.testing.assert_frame_equal(here.to_frame(), there.to_frame(), check_exact=True)


def test_precision_and_sieves(cluster):
    powder = ExpectedPowder(name="sand", d10_um=70, d50_um=150, d90_um=300)
    stack = (45, 63, 90, 125, 180, 250, 355, 500)
    asked = {"wanted_percent": 1.0, "resolution_g": (0.1, 0.01), "sample_g": (20.0,), "trials": 100}
    here = precision(powder, stack, **asked)
    there = precision(powder, stack, **asked, cluster=cluster)
    assert bits(here) == bits(there)
    chosen = [
        choose_sieves([powder], stack, weighing=PlannedWeighing(), trials=100, cluster=address)
        for address in (None, cluster)
    ]
    assert bits(chosen[0]) == bits(chosen[1])


def test_permutation_and_bootstrap(cluster):
    rng = np.random.default_rng(5)
    frame = pd.DataFrame(
        {"time": np.tile(["0", "6", "12"], 4), "group": np.repeat(list("abcd"), 3)}
    )
    frame["ln_D50"] = 5.0 + 0.02 * rng.standard_normal(len(frame))
    fit = MixedModel(frame, response="ln_D50", fixed=["time"], random=["group"]).fit()
    for test in (permutation_test, bootstrap_test):
        assert bits(test(fit, "time", 1200, 1)) == bits(test(fit, "time", 1200, 1, cluster=cluster))


def test_collected_trials_with_a_worker_killed_meanwhile(tmp_path, cluster):
    trials = tmp_path / "trials"
    trials.mkdir()
    for number in range(10):
        copy(demo_study("one_bench"), trials / f"{number:02d}.csv")
    (trials / "last.csv").write_text("run,sieve\n", encoding="utf-8")
    here = collect([trials], tmp_path / "here.sqlite")
    with killing(cluster) as progress:
        there = collect([trials], tmp_path / "there.sqlite", cluster=cluster, progress=progress)
    assert here.evaluated == there.evaluated == 11
    for table in ("to_frame", "runs_frame", "means_frame", "trials_frame"):
        frames = [getattr(one, table)() for one in (here, there)]
        assert len(frames[0]) > 10
        pd.testing.assert_frame_equal(*frames, check_exact=True)


def test_an_error_there_comes_up_here(cluster):
    with pytest.raises(ZeroDivisionError):
        list(mapped(one_over, [1, 0], cluster=cluster))


def one_over(number):
    return 1 / number


def test_no_scheduler_at_the_address(monkeypatch):
    monkeypatch.setattr("psdstats.processes._ANSWER_WITHIN", "500ms")
    with pytest.raises(UncertaintyError, match="no Dask scheduler answers at 'nowhere:1'"):
        list(mapped(abs, [1], cluster="nowhere:1"))


def test_a_scheduler_without_workers(monkeypatch):
    monkeypatch.setattr("psdstats.processes._ANSWER_WITHIN", "1s")
    with (
        LocalCluster(n_workers=0, dashboard_address=":0") as empty,
        pytest.raises(UncertaintyError, match="has no workers"),
    ):
        list(mapped(abs, [1], cluster=empty.scheduler_address))


@pytest.mark.parametrize("workers", [0, 1.5, True])
def test_workers_are_whole_numbers(workers):
    with pytest.raises(UncertaintyError, match="workers is"):
        list(mapped(abs, [1], workers=workers))
