"""What sharing heavy work costs and gains: one process, threads, processes, a Dask cluster.

    python tests/benchmarks/shared_work.py --out tests/calibration/results

Each work is done side by side in one run by this process, by two threads, by two copies of this
process, by two of joblib's processes (started for it, then once more) and by a cluster of two
workers on this computer, of which one is killed after the first part of the work.  Every result is
held against that of one process, bit by bit.  CPU seconds are of all processes together, those of
the cluster from its start; what starts them is invented data (demo studies).
"""

from __future__ import annotations

import argparse
import os
import pickle
import resource
import signal
import sys
import threading
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from datetime import date
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import psutil
from distributed import Client, LocalCluster
from psdstats_datasets import demo_study

from psdstats import compare, processes, propagate, read_study
from psdstats.models import MixedModel, MixedModelFit, level
from psdstats.models.resampling import bootstrap_test, permutation_test
from psdstats.planning import ExpectedPowder, Variation, choose_sieves, power, precision
from psdstats.planning.attained import attained
from psdstats.uncertainty import law

SEED = 3
STACK = (45, 63, 90, 125, 180, 250, 355, 500)
SERIES = (32, 45, 63, 90, 125, 180, 250, 355, 500, 710)
Work = Callable[..., Any]


def works(scale: float) -> dict[str, tuple[Work, str]]:
    """Each work by its name: what does it, and which option tells how far it is."""
    study = read_study(demo_study("four_benches"))
    bench = compare(read_study(demo_study("one_bench")), quantities=["D50", "D90"])
    fit = fitted()
    powders = [
        ExpectedPowder(name=f"invented {one}", d10_um=0.45 * one, d50_um=one, d90_um=2.0 * one)
        for one in (100.0, 150.0, 200.0)
    ]
    trials = max(int(2000 * scale), 100)
    planned = {"groups": (3, 4, 5, 6), "times": 5, "replicates": (1, 2, 3), "trials": trials}
    cells = {"wanted_percent": 1.0, "trials": trials}
    drawn = max(int(500_000 * scale), 110_000)
    return {
        f"draws, 80 runs, {drawn:,}": (partial(propagate, study, draws=drawn, seed=SEED), "told"),
        f"power, 12 designs, {trials:,} trials": (
            partial(power, Variation(run_percent=3.0, drift_percent=2.0), **planned, seed=SEED),
            "told",
        ),
        f"precision, 12 cells, {trials:,} stacks": (
            partial(precision, powders[1], STACK, **cells, seed=SEED),
            "told",
        ),
        f"sieves, 3 powders, {trials:,} stacks": (
            partial(choose_sieves, powders, SERIES, trials=trials, seed=SEED),
            "",
        ),
        f"permutation, 80 runs, {10 * trials:,}": (
            partial(permutation_test, fit, "time", 10 * trials, SEED),
            "",
        ),
        f"bootstrap, 80 runs, {trials:,}": (
            partial(bootstrap_test, fit, "time", trials, SEED),
            "",
        ),
        "attained, one bench, 12 trials": (partial(attained, bench, trials=12, seed=SEED), "told"),
    }


def fitted() -> MixedModelFit:
    """Twenty groups at four times."""
    rng = np.random.default_rng(SEED)
    frame = pd.DataFrame({"time": list("0123") * 20, "group": np.repeat(np.arange(20), 4)})
    frame["ln_size"] = rng.normal(5.0, 0.02, 80) + np.repeat(rng.normal(0.0, 0.03, 20), 4)
    frame["group"] = frame["group"].astype(str)
    return MixedModel(frame, response="ln_size", fixed=["time"], random=["group"]).fit()


def in_threads(work: Work, tasks: Any, at_once: int, most: int | None = None) -> Iterator[Any]:
    """As copies are asked for; in threads, each of which shares its work no further."""
    with ThreadPoolExecutor(at_once) as pool:
        yield from pool.map(partial(processes._here, work), tasks)


def cpu_s() -> float:
    """CPU seconds of this process and all below it, ended or not."""
    used = [resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
    total = sum(one.ru_utime + one.ru_stime for one in used)
    for child in psutil.Process().children(recursive=True):
        try:
            times = child.cpu_times()
        except psutil.NoSuchProcess:
            continue
        total += times.user + times.system + times.children_user + times.children_system
    return total


def bits(result: Any) -> Any:
    """What a result is made of, to the last bit."""
    if isinstance(result, dict):
        return [(name, bits(one)) for name, one in result.items()]
    if isinstance(result, list | tuple):
        return [bits(one) for one in result]
    if isinstance(result, np.ndarray) and result.dtype != object:
        return result.tobytes()
    return bits(vars(result)) if hasattr(result, "__dataclass_fields__") else pickle.dumps(result)


@contextmanager
def way(forks: bool, threads: bool = False) -> Iterator[dict[str, Any]]:
    """Two workers, as copies, as joblib's processes or as threads."""
    kept = processes.forks, processes._in_copies
    here = os.getpid(), threading.current_thread()
    asked = forks or threads  # though threads of joblib and Dask go on here
    processes.forks = lambda: asked and (os.getpid(), threading.current_thread()) == here
    if threads:
        processes._in_copies = in_threads
    try:
        yield {"workers": 2}
    finally:
        processes.forks, processes._in_copies = kept


def killed_once(client: Client) -> Callable[[int, int], None]:
    """Progress that kills one worker when something is done for the first time."""
    victims = list(client.run(os.getpid).values())

    def progress(*_: int) -> None:
        if len(victims) == 2:
            os.kill(victims.pop(), signal.SIGKILL)

    return progress


def row(name: str, how: str, work: Work, expected: Any) -> tuple[dict[str, object], Any]:
    """One work done one way, with nothing known from the time before."""
    level._tables.clear()
    law._FOUND.clear()
    before, began = cpu_s(), time.perf_counter()
    made = bits(work())
    return {
        "work": name,
        "by": how,
        "wall_s": time.perf_counter() - began,
        "cpu_s": cpu_s() - before,
        "same": "" if expected is None else "yes" if made == expected else "NO",
    }, made


def rows_of(name: str, work: Work, told: str) -> Iterator[dict[str, object]]:
    """One work done every way."""
    first, expected = row(name, "one process", work, None)
    yield first
    for how, forks, threads in (
        ("two threads", False, True),
        ("two copies", True, False),
        ("two of joblib's, started", False, False),
        ("two of joblib's, again", False, False),
    ):
        with way(forks, threads) as shared:
            yield row(name, how, partial(work, **shared), expected)[0]
    with LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=":0") as cluster:
        address = cluster.scheduler_address
        yield row(name, "cluster of two", partial(work, cluster=address), expected)[0]
        if told:
            with Client(address, set_as_default=False) as client:
                progress = killed_once(client)
            hit = partial(work, cluster=address, progress=progress)
            yield row(name, "cluster, one killed", hit, expected)[0]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--out", type=Path)
    parser.add_argument("--scale", type=float, default=1.0, help="of the sizes of the work")
    options = parser.parse_args()
    rows = []
    for name, (work, told) in works(options.scale).items():
        for one in rows_of(name, work, told):
            rows.append(one)
            sys.stdout.write(f"{one}\n")
            sys.stdout.flush()
    table = pd.DataFrame(rows)
    lines = [
        "# Heavy work shared",
        "",
        *__doc__.split("\n\n")[2:],
        "",
        f"`python tests/benchmarks/shared_work.py --scale {options.scale:g}`, seed {SEED}, "
        f"{date.today()}; {processes.cores()} cores, {os.getloadavg()[0]:.0f} processes wanting "
        "them at the end: wall times are read against each other only.",
        "",
        "| work | by | wall s | CPU s | same bits |",
        "|---|---|--:|--:|---|",
    ]
    lines += [
        f"| {one.work} | {one.by} | {one.wall_s:.1f} | {one.cpu_s:.1f} | {one.same} |"
        for one in table.itertuples()
    ]
    if options.out is not None:
        (options.out / "shared_work.md").write_text("\n".join(lines) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
