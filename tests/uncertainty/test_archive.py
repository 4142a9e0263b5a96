"""Archives: batches give the rows of the whole study, in flat memory."""

import tracemalloc
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from psdstats.errors import UncertaintyError
from psdstats.uncertainty import propagate, propagate_archive


def test_batches_give_the_rows_of_the_whole(milling):
    whole = propagate(milling, seed=2, draws=10_000).to_frame()
    parts = list(propagate_archive([milling], batch_runs=3, draws=10_000, seed=2))
    assert [len(part) for part in parts] == [12, 4]
    rows = pd.concat(parts, ignore_index=True)
    assert (rows.pop("study") == "invented").all()
    numbers = rows.select_dtypes("number").columns
    np.testing.assert_allclose(rows[numbers], whole[numbers], rtol=1e-9)


def test_memory_is_flat_for_a_thousand_runs(make_run, make_study):
    def studies(n_studies):
        for number in range(n_studies):
            runs = [make_run(f"run-{number}-{row}") for row in range(50)]
            yield make_study(*runs)

    def peak(n_studies):
        tracemalloc.start()
        n_rows = sum(len(part) for part in propagate_archive(studies(n_studies), method="linear"))
        top = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        assert n_rows == n_studies * 50 * 4
        return top

    peak(2)  # whatever is loaded on first use
    few, many = peak(2), peak(20)
    assert many < 1.5 * few


def test_refusal(milling):
    with pytest.raises(UncertaintyError, match="batch_runs is 0"):
        next(propagate_archive([milling], batch_runs=0))


def test_studies_may_differ(milling):
    studies = [replace(milling, title=title) for title in ("one", "two")]
    titles = [frame.study[0] for frame in propagate_archive(studies, method="linear")]
    assert titles == ["one", "two"]
