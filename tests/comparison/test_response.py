"""Which runs enter a comparison, and why others do not."""

import itertools

import numpy as np
import pytest

from psdstats.comparison.plan import plan_comparison
from psdstats.comparison.response import build_response
from psdstats.words.remarks import sentence


@pytest.fixture
def respond(planted_study):
    """Response of D50 with some runs open."""

    def make(rows, is_open, **options):
        study = planted_study(rows)
        ln_size = np.where(is_open, np.nan, 5.0 + 0.01 * np.arange(len(rows)))
        covariance = np.arange(len(rows) ** 2, dtype=float).reshape(len(rows), len(rows))
        joint = covariance + covariance.T
        plan = plan_comparison(study, **options)
        return build_response(
            study.runs_frame(), np.exp(ln_size), plan, "D50", 2 * joint, own=lambda: joint
        )

    return make


ROWS = [
    {"group": group, "milling_time_min": time}
    for group, time, _ in itertools.product(("Alder", "Birch", "Cedar"), (0.0, 24.0), range(2))
]


def test_everything_enters_when_nothing_is_open(respond):
    found = respond(ROWS, np.zeros(12, dtype=bool))
    assert len(found.frame) == 12
    assert found.set_aside == ()
    assert found.levels == ("0", "24")
    assert not found.obstacles


def test_the_cell_of_an_open_run_goes_with_its_rows_of_the_covariance(respond):
    is_open = np.zeros(12, dtype=bool)
    is_open[3] = True  # Alder at 24 min, second run
    found = respond(ROWS, is_open)
    whole = respond(ROWS, np.zeros(12, dtype=bool))
    kept = [i for i in range(12) if i not in (2, 3)]
    assert found.set_aside == ("run-2", "run-3")
    assert found.frame["run"].tolist() == [f"run-{i}" for i in kept]
    assert np.array_equal(found.own(), whole.own()[np.ix_(kept, kept)])
    assert np.array_equal(found.known, whole.known[np.ix_(kept, kept)])


def test_a_cell_goes_when_most_of_its_runs_are_open(respond):
    is_open = np.zeros(12, dtype=bool)
    is_open[[2, 6]] = True  # Alder and Birch at 24 min: two cells of three
    found = respond(ROWS, is_open)
    assert {cell: sentence(why) for cell, why in found.obstacles.items()} == {
        ("24", ""): "D50 at 24 min is not bracketed by the sieves in 2 of 6 runs"
    }
    assert set(found.frame["milling_time_min"]) == {0.0}


def test_at_each_loses_its_own_cells_alone(respond):
    """Open only for ball ratio 10 at all but the first time: those two go, 0 min at 10 stays."""
    rows = [
        {"milling_time_min": time, "ball_ratio": ratio}
        for time, ratio, _ in itertools.product((0.0, 12.0, 24.0), (5.0, 10.0), range(2))
    ]
    is_open = np.array([row["milling_time_min"] > 0 and row["ball_ratio"] == 10 for row in rows])
    found = respond(rows, is_open)
    assert {cell: sentence(why) for cell, why in found.obstacles.items()} == {
        (time, "10"): f"D50 at {time} min is not bracketed by the sieves in 2 of 2 runs"
        for time in ("12", "24")
    }
    assert len(found.frame) == 8
