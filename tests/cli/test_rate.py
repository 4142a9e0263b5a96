"""psdstats rate: when to stop, in words, JSON and files."""

import json
import re

D50 = ("--quantity", "D50")


def test_time_to_a_target_for_each_ball_ratio(psdstats, trial):
    said = json.loads(psdstats("rate", trial, *D50, "--target-um", "130", "--json").out)
    rows = [row for row in said["when_to_stop"] if row["asked_unit"] == "µm"]
    assert [row["series"] for row in rows] == ["ball ratio 5", "ball ratio 10"]
    for row in rows:
        assert row["lower_min"] < row["time_min"]
        # an approach to a limit is not ruled out and may never get there
        assert row["upper_open"] or row["time_min"] < row["upper_min"]
        assert row["beyond_last_time"] is True
    # twice the balls for the same powder grind faster (the truth of the invented demo)
    assert rows[1]["time_min"] < rows[0]["time_min"]


def test_together_leaves_the_factor_out_and_says_so(psdstats, trial):
    said = psdstats("rate", trial, *D50, "--together", "--all-notes")
    assert "Ball ratio 5:" not in said.out
    assert "differs between runs and is not in the rate model" in said.out


def test_withdrawn_mass_needs_powder_and_balls(psdstats, trial, bench):
    quick = (*D50, "--powder-g", "500")
    alone = psdstats("rate", bench, *quick)
    assert alone.code == 2
    assert "state powder_g and balls_g" in alone.err
    both = psdstats("rate", bench, *quick, "--balls-g", "2500", "--all-notes")
    assert "Sampling raised the ball-to-powder ratio from 5 to" in both.out
    by_ratio = psdstats("rate", trial, *quick, "--all-notes")
    assert "Sampling raised the ball-to-powder ratio from 10 to" in by_ratio.out


def test_files_and_figures_with_a_decimal_comma(psdstats, bench, tmp_path, contents):
    words = ("rate", bench, "--target-um", "100", "--margin", "5", "--decimal", ",")
    said = psdstats(*words, "--out", "out", "--all-notes")
    assert said.code == 0
    assert re.search(r"D50 reaches 100 µm after \d+(,\d+)? min", said.out)
    assert "Without repeats the misfit" in psdstats(*words, "--all-notes").out
    assert set(contents(tmp_path / "out")) >= {
        "tables/when-to-stop.csv",
        "tables/rate-parameters.csv",
        "tables/rate-curves.csv",
        "tables/loss-above-each-sieve.csv",
        "tables/rate-residuals-d50.csv",
        "figures/rate-d50.svg",
        "figures/loss-above-each-sieve.png",
    }
    text = (tmp_path / "out/tables/rate-parameters.md").read_text(encoding="utf-8")
    assert re.search(r"\d,\d", text)
    assert not re.search(r"\d\.\d", text)


def test_a_curve_without_a_limit_has_no_margin(psdstats, bench):
    words = ("rate", bench, *D50, "--margin", "5")
    said = psdstats(*words, "--curve", "constant rate")
    assert said.code == 0
    assert "No time can be given after which less than 5 % is left to gain" in said.out
    limit = psdstats(*words, "--curve", "approach to a limit", "--target-um", "100")
    assert re.search(
        r"[Ll]ess than 5 % of the limit of D50 is left to gain|never levels off", limit.out
    )
    assert re.search(r"D50 reaches 100 µm after [\d.]+ min", limit.out)
