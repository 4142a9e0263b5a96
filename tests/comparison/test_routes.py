"""On what a quantity is compared, and what is said where runs are too few for a model."""

import itertools

import numpy as np
import pytest

from psdstats.comparison.analysis import analyse_sizes
from psdstats.comparison.compare import compare_analysis
from psdstats.comparison.plan import plan_comparison
from psdstats.comparison.result import Route
from psdstats.words.comparison import finding_sentence, model_sentence
from psdstats.words.remarks import sentence

TIMES = (0.0, 6.0, 24.0)


def _rows(groups=("Alder",), ratios=(5.0, 10.0)):
    return [
        {"group": group, "milling_time_min": time, "ball_ratio": ratio}
        for group, time, ratio in itertools.product(groups, TIMES, ratios)
    ]


def test_single_runs_at_each_level_are_judged_by_the_measurement(planted):
    """One run a cell: each level has its own course, changes with what would undo them."""
    known = 1e-4 * np.eye(6)
    comparison = planted(_rows(), [5.0, 4.9, 4.8, 4.71, 4.6, 4.5], known)
    found = comparison["D50"]
    assert found.route is Route.MEASUREMENT_ONLY
    assert [one.where for one in found.courses] == ["5", "10"]
    row = found.to_frame("against first").set_index(["high", "where"]).loc[("24", "5")]
    assert np.log(row["ratio"]) == pytest.approx(4.6 - 5.0)
    # sqrt(1e-4 + 1e-4), and |0.4| = c sqrt(2e-4 + 2 s^2) with the critical value of the row
    assert row["u"] == pytest.approx(np.sqrt(2e-4))
    critical = np.log(row["ratio_upper"] / row["ratio"]) / row["u"]
    undone = 100 * np.sqrt(((0.4 / critical) ** 2 - 2e-4) / 2)
    assert row["undone_by_run_to_run_percent"] == pytest.approx(undone)


def test_what_replaces_single_runs_works(planted):
    """The ball ratio as a further factor set aside, and groups as blocks, leave runs to spare."""
    found = planted(_rows(), [5.0, 4.9, 4.8, 4.71, 4.6, 4.5], also=["ball_ratio"])
    assert found["D50"].route is Route.MIXED_MODEL
    found = planted(_rows(("Alder", "Birch"), (5.0,)), [5.0, 4.8, 4.6, 5.1, 4.91, 4.7])
    assert found["D50"].route is Route.MIXED_MODEL


def test_one_quantity_left_with_single_runs_is_judged_as_single_runs(planted):
    """Of seven runs at six combinations the only pair is not bracketed: five runs, five means."""
    rows = [*_rows(), {"group": "Alder", "milling_time_min": 0.0, "ball_ratio": 5.0}]
    ln_size = np.array([np.nan, 4.9, 4.8, 4.7, 4.6, 4.5, 5.0])
    found = planted(rows, ln_size, 1e-4 * np.eye(7))["D50"]
    assert found.route is Route.MEASUREMENT_ONLY
    effects = found.to_frame("against first")
    at_five = effects[(effects["where"] == "5") & (effects["low"] == "0")]
    assert set(at_five["verdict"]) == {"cannot be told"}
    assert at_five["ratio"].isna().all()
    assert np.log(effects.set_index(["where", "high"]).loc[("10", "24"), "ratio"]) == pytest.approx(
        4.5 - 4.9
    )


def test_next_to_no_degrees_of_freedom_cannot_be_told(planted):
    """Two groups at two times; the known error of one is so large that the other judges alone.

    The differences agree within the measurement, so the variance left to estimate is about zero,
    known to no better than several times the variance of the effect: far less than one degree of
    freedom, an interval without end.
    """
    rows = [
        {"group": group, "milling_time_min": time}
        for group in ("Alder", "Birch")
        for time in (0.0, 6.0)
    ]
    known = 1e-4 * np.array(
        [[5.06, 3.42, 0, 0], [3.42, 3.08, 0, 0], [0, 0, 0.300, 0.116], [0, 0, 0.116, 0.236]]
    )
    comparison = planted(rows, [5.5161, 5.4094, 5.5221, 5.4130], known, test="kenward-roger")
    finding = comparison["D50"].findings[0]
    row = comparison["D50"].to_frame().iloc[0]
    assert row["df"] < 0.3
    assert row["verdict"] == "cannot be told"
    assert row["detectable_decrease_percent"] > 99.99
    said = finding_sentence(finding, comparison.plan)
    assert said.startswith("It cannot be told whether D50 at 6 min differs from that at 0 min, ")


def _groups_by_time(groups=("Alder", "Birch"), replicates=2):
    """Half of a level may be open; where more is, the level goes."""
    return [
        {"group": group, "milling_time_min": time}
        for group in groups
        for time in (0.0, 6.0)
        for _ in range(replicates)
    ]


def test_bracketed_at_one_time_groups_are_compared_there_and_it_is_said(planted):
    """Only 0 min is left, so the answer is that of a trial that did 0 min alone."""
    rows = _groups_by_time(("Alder", "Birch", "Cedar"), replicates=3)
    ln_size = np.random.default_rng(11).normal(4.5, 0.02, len(rows))
    times = np.array([row["milling_time_min"] for row in rows])
    ln_size[times > 0] = np.nan
    found = planted(rows, ln_size, by="group")["D50"]
    first = [row for row in rows if row["milling_time_min"] == 0.0]
    alone = planted(first, ln_size[times == 0], by="group")["D50"]
    assert found.route is Route.MIXED_MODEL
    assert sentence(found.remarks[0]).startswith("9 runs count only by a bound, because the sieves")
    lost = found.to_frame()["where"] == "6"
    assert set(found.to_frame()["verdict"][lost]) == {"cannot be told"}
    kept = found.to_frame()[~lost]
    assert kept["ratio"].tolist() == pytest.approx(alone.to_frame()["ratio"].tolist())
    assert kept["p"].tolist() == pytest.approx(alone.to_frame()["p"].tolist(), rel=1e-6)


@pytest.mark.parametrize(
    ("kept", "options", "says"),
    [
        (
            lambda row: row["group"] == "Alder",
            {"by": "milling_time_min", "within": ["group"]},
            "D50 is bracketed by the sieves in one group only, so how one differs from another "
            "cannot be seen",
        ),
        (  # Birch alone keeps 6 min, Alder alone 0 min: group and time change together
            lambda row: (row["group"], row["milling_time_min"]) in {("Alder", 0.0), ("Birch", 6.0)},
            {"by": "group", "also": ["milling_time_min"]},
            "no milling time holds runs of both levels",
        ),
    ],
)
def test_too_little_bracketed_cannot_be_told_and_the_rest_goes_on(
    planted_study, planted_sizes, kept, options, says
):
    rows = _groups_by_time()
    study = planted_study(rows)
    ln_size = np.random.default_rng(12).normal(4.5, 0.02, len(rows))
    sizes = planted_sizes(study, ln_size, 1e-12 * np.eye(len(rows)))
    value = sizes.value.copy()
    value[[not kept(row) for row in rows], sizes.quantities.index("D50")] = np.nan
    plan = plan_comparison(study, **options)
    known = {name: 1e-12 * np.eye(len(rows)) for name in ("D50", "D90")}
    found = compare_analysis(analyse_sizes(study, plan, value, known, measured=lambda: sizes))
    assert found["D90"].route is Route.MIXED_MODEL
    lost = found["D50"]
    assert lost.route is Route.NONE
    assert model_sentence(lost) == f"{says[0].upper()}{says[1:]}; nothing was fitted."
    assert set(lost.to_frame()["verdict"]) == {"cannot be told"}
