"""Pages of plans: power, uncertainty, stack, charge and timeline, read back from what is drawn."""

import numpy as np
import pytest

from psdstats.output.pages.planning import (
    CALENDAR,
    charge_page,
    power_page,
    precision_drawing,
    precision_page,
    stack_page,
    timeline_drawing,
    timeline_page,
)
from psdstats.planning import ExpectedPowder, Variation, choose_sieves, power, precision
from psdstats.planning.bench import Balls, Jar, mill_charge, timeline
from psdstats.words.planning import BENCH_CAUTIONS, MILL_CAUTIONS

UNMILLED = ExpectedPowder(name="unmilled", d10_um=150, d50_um=250, d90_um=400)
MILLED = ExpectedPowder(name="milled", d10_um=45, d50_um=110, d90_um=210)
STACK = (45.0, 63.0, 90.0, 125.0, 180.0, 250.0, 355.0, 500.0)


@pytest.fixture(scope="module")
def powers():
    return power(Variation(run_percent=4.0), groups=(2, 3), replicates=2, times=3, trials=200)


def test_power_curves_pass_through_the_table_where_they_were_asked(powers):
    page = power_page(powers)
    rows = list(page.tables[0].rows())
    drawings = zip(page.drawings, (powers.change_percent, powers.margin_percent), strict=True)
    for (drawing, asked), name in zip(drawings, ("power", "power_left"), strict=True):
        ax = drawing.figure.axes[0]
        lines = {line.get_label(): line for line in ax.lines}
        for row in rows:
            line = lines[f"{row['groups']} × {row['times']} × {row['replicates']}"]
            middle = np.argmin(np.abs(line.get_xdata() - asked))
            assert line.get_ydata()[middle] == pytest.approx(100 * row[name], abs=1e-9)
        (marked,) = [line for line in ax.lines if str(line.get_gid()).find("asked: ") >= 0]
        assert list(marked.get_xdata()) == [asked, asked]
    low, high = page.drawings[0].figure.axes[0].get_xlim()
    assert low > high  # decreases grow to the right
    assert (len(page.sentences), len(page.notes)) == (2, 2)
    assert "a change of −10 %" in page.sentences[0]


def test_asked_change_and_margin_are_marked_in_the_curves_of_the_tables(powers):
    table, *curves = (one.frame for one in power_page(powers).tables)
    for frame, name in zip(curves, ("power", "power_left"), strict=True):
        marked = frame[frame["asked"]]
        assert marked["power"].to_list() == pytest.approx(table[name].to_list())


def test_what_cannot_be_planned_is_told_beside_the_others():
    found = power(
        Variation(run_percent=4.0), groups=(1, 2), times=(1, 2), replicates=(1, 2), trials=200
    )
    page = power_page(found)
    assert page.tables[0].frame[["groups", "times", "replicates"]].to_numpy().tolist() == [
        [1, 2, 2], [2, 2, 1], [2, 2, 2]
    ]  # fmt: skip
    *_, no_change, no_spread = page.sentences
    assert no_change == (
        "1 group × 1 time × 1 replicate, 1 group × 1 time × 2 replicates, 2 groups × 1 time × 1 "
        "replicate and 2 groups × 1 time × 2 replicates cannot be planned: one time shows no "
        "change; plan two or more."
    )
    assert no_spread.startswith("1 group × 2 times × 1 replicate cannot be planned: one group ")


def test_why_replicates_of_two_groups_may_show_less_is_told_under_the_table():
    """A drift of 1.5 % a step would undo 3 % over four steps: more runs take away only luck."""
    study = {"times": 5, "replicates": (1, 3), "change_percent": -3, "trials": 1000}
    two = power(Variation(run_percent=2.0), groups=2, **study)
    few, many = two.to_frame()["power"]
    assert many <= few
    (told,) = (one for one in power_page(two).tables[0].notes if "drift of 1.5 %" in one)
    assert told.startswith("Two groups cannot show how far they drift apart")
    for others in ({"groups": 3}, {"groups": 2, "question": "last against first"}):
        page = power_page(power(Variation(run_percent=2.0), **(study | others)))
        assert not any("drift" in one for one in page.tables[0].notes)


def test_smallest_design_is_told_first():
    found = power(
        Variation(run_percent=4.0), groups=3, replicates=1, times=3, trials=200, seek_smallest=True
    )
    smallest, *_ = power_page(found).sentences
    assert smallest.startswith("The smallest trial that is enough for a change of −10 %: ")
    assert f"({found.smallest.change.design.runs} runs)" in smallest


def test_uncertainty_marks_are_the_simulated_cells_and_parts_those_of_the_law():
    plan = precision(MILLED, STACK, wanted_percent=1.0, sample_g=(10, 50), trials=200)
    grid, of_change, parts, _ = (table.frame for table in precision_page(plan).tables)
    one, change = precision_drawing(plan).figure.axes
    assert one.get_ylim() == change.get_ylim()
    for ax, shown in ((one, grid["u_percent"]), (change, of_change["u_change_percent"])):
        drawn = sorted(line.get_ydata()[0] for line in ax.lines if "g: u" in str(line.get_gid()))
        assert drawn == pytest.approx(sorted(shown))
    # u² is the sum of its parts (JCGM 100)
    of = ("balance", "particles", "sieves", "between")
    squares = parts[[f"u_{name}_percent" for name in of]] ** 2
    assert np.sqrt(squares.sum(axis=1)).to_numpy() == pytest.approx(
        grid["u_law_percent"].to_numpy()
    )


def test_stack_from_the_top_with_all_of_the_sample():
    choice = choose_sieves([UNMILLED, MILLED], STACK, sample_g=50.0, trials=200)
    table, sizes, loads, whole = stack_page(choice).tables
    assert list(sizes.frame["quantity"]) == ["D10", "D50", "D90"] * 2
    assert list(loads.frame["powder"]) == ["unmilled", "milled"]
    assert table.frame["sieve"].iloc[-1] == "pan"
    for name in ("unmilled", "milled"):
        assert table.frame[f"mass_{name}_g"].sum() == pytest.approx(50.0)
    assert whole.frame["mass_g"].sum() == pytest.approx(100.0)
    ax = stack_page(choice).drawings[0].figure.axes[0]
    assert {text.get_text() for text in ax.texts} == {f"{size:g}" for size in choice.aperture_um}


def test_charge_carries_its_cautions_everywhere():
    jar = Jar(diameter_mm=150, volume_ml=2000)
    balls = [
        Balls(diameter_mm=20, density_g_per_cm3=7.8, parts=2),
        Balls(diameter_mm=10, density_g_per_cm3=7.8),
    ]
    charge = mill_charge(jar, balls, ball_fill=0.35)
    page = charge_page(charge)
    assert page.cautions == MILL_CAUTIONS
    assert all(caution in page.texts["cautions.txt"] for caution in MILL_CAUTIONS)
    table = page.tables[0].frame
    assert table["mass_g"].sum() == pytest.approx(charge.ball_g)


def test_bed_is_drawn_to_its_share_of_the_section():
    """The polygon's area by the shoelace formula over that of the jar is the fill."""
    jar = Jar(diameter_mm=100, volume_ml=1000)
    charge = mill_charge(jar, [Balls(diameter_mm=10, density_g_per_cm3=3.6)], ball_fill=0.35)
    ax = charge_page(charge).drawings[0].figure.axes[0]
    (bed,) = [patch for patch in ax.patches if "bed of balls" in str(patch.get_gid())]
    x, y = bed.get_path().vertices[:-1].T
    area = 0.5 * abs(x @ np.roll(y, -1) - y @ np.roll(x, -1))
    assert area / (np.pi * 50**2) == pytest.approx(charge.ball_fill, abs=2e-3)


def test_timeline_bars_are_the_steps_and_the_calendar_is_whole():
    plan = timeline([0, 6, 12], charges=2)
    page = timeline_page(plan)
    uses = plan.uses_frame()
    ax = timeline_drawing(plan).figure.axes[0]
    drawn = sum(patch.get_width() for patch in ax.patches)
    assert drawn == pytest.approx((uses["end_min"] - uses["start_min"]).sum())
    (line,) = [one for one in ax.lines if "9 of 10" in str(one.get_gid())]
    assert line.get_xdata()[0] == pytest.approx(plan.days[0].variation.late_end_min)
    assert ax.get_xlim()[1] >= line.get_xdata()[0]
    calendar = page.texts[CALENDAR]
    assert calendar.startswith("BEGIN:VCALENDAR\r\n")
    assert calendar.count("BEGIN:VEVENT") == len(plan.to_frame())
    fewer = timeline_page(plan, attended_only=True).texts[CALENDAR]
    assert fewer.count("BEGIN:VEVENT") == int(plan.to_frame()["attended"].sum())
    assert page.cautions == BENCH_CAUTIONS


def test_days_have_panels_of_one_scale():
    plan = timeline([0, 6, 12], charges=4, day_min=300)
    axes = timeline_drawing(plan).figure.axes
    assert len(axes) == len(plan.days) > 1
    assert len({ax.get_xlim() for ax in axes}) == 1
