"""psdstats plan: five plans, each with help, words, JSON, files, and cautions where needed."""

import json
import shlex

import pytest
from psdstats_cli.commands.plan import PLANS
from psdstats_cli.main import build_parser

CHARGE = ("charge", "--jar-mm", "150", "--jar-ml", "2000", "--balls", "20:2,10:1",
          "--ball-density", "7.8")  # fmt: skip
TIMELINE = ("timeline", "--times", "0,6,12", "--charges", "2", "--start", "2026-01-05T08:30")
STACK = "45,63,90,125,180,250,355,500"


def _example(name):
    return shlex.split(PLANS[name].EXAMPLE)


@pytest.mark.parametrize("name", PLANS)
def test_help_explains_every_option_and_the_example_can_be_typed(psdstats, name):
    said = psdstats("plan", name, "--help")
    assert said.code == 0
    assert f"example:\n  psdstats plan {name}" in said.out
    lines = said.out.partition("options:")[2].splitlines()
    opening = [at for at, line in enumerate(lines) if line.startswith("  -")]
    assert len(opening) > 8
    for at in opening:
        assert len(lines[at].split("  ")) > 2 or lines[at + 1].startswith("     ")
    words = _example(name)
    assert build_parser().parse_args(words[1:]).plan == name


def test_power_from_stated_variation(psdstats):
    words = ("plan", "power", "--run-percent", "3", "--groups", "2,3", "--time-points", "3",
             "--replicates", "2", "--trials", "100")  # fmt: skip
    said = json.loads(psdstats(*words, "--json").out)
    rows = said["power"]
    assert [(row["groups"], row["runs"]) for row in rows] == [(2, 12), (3, 18)]
    assert [row["enough"] for row in rows] == [row["power"] >= 0.8 for row in rows]
    assert said["sentences"][0].startswith("The smallest trial that is enough")
    assert psdstats(*words, "--json").out == psdstats(*words, "--json", "--seed", "0").out


def test_power_asks_for_the_margin_and_by_the_spread_named(psdstats):
    words = ("plan", "power", "--run-percent", "2", "--groups", "3", "--time-points", "3",
             "--replicates", "2", "--trials", "200", "--json")  # fmt: skip
    (free,), (pooled,), (wide,) = (
        json.loads(psdstats(*words, *more).out)["power"]
        for more in ((), ("--spread", "pooled"), ("--margin", "10"))
    )
    assert pooled["power_left"] > free["power_left"]
    assert wide["power_left"] > free["power_left"]
    assert wide["power"] == free["power"]
    assert (free["margin_percent"], wide["margin_percent"]) == (5, 10)


def test_power_of_span_asks_nothing_that_needs_a_direction(psdstats):
    words = ("plan", "power", "--run-percent", "3", "--quantity", "span", "--trials", "100")
    said = json.loads(psdstats(*words, "--json").out)
    assert not any("left" in name for row in said["power"] for name in row)
    assert not any("left" in sentence for sentence in said["sentences"])
    assert "two-sided" in said["notes"][0]
    for more in (("--margin", "5"), ("--question", "end")):
        refused = psdstats(*words, *more)
        assert (refused.code, "span has no direction" in refused.err) == (2, True)


def test_power_from_a_study(psdstats, trial):
    words = ("plan", "power", "--study", trial, "--replicates", "2", "--trials", "200")
    said, all_said = psdstats(*words), psdstats(*words, "--all-notes")
    assert (said.code, all_said.code) == (0, 0)
    assert "36 runs in 3 groups" not in said.out + said.err
    assert "36 runs in 3 groups" in all_said.out + all_said.err


def test_precision_of_a_stated_change(psdstats):
    words = ("plan", "precision", "--powder", "70,150,300", "--apertures", STACK, "--density",
             "2.7", "--resolution", "0.01", "--sample-g", "50", "--trials", "100")  # fmt: skip
    usual, halved, to = (
        json.loads(psdstats(*words, *more, "--json").out)
        for more in ((), ("--change", "-50"), ("--to", "35,75,150"))
    )
    assert "to 135 µm (−10 %; no other was stated)" in usual["sentences"][0]
    u = "planned_uncertainty_of_a_change"
    assert halved[u][0]["u_change_percent"] == to[u][0]["u_change_percent"]
    assert halved[u][0]["u_change_percent"] > usual[u][0]["u_change_percent"]
    by_rule = json.loads(psdstats(*words, "--rule", "semilog", "--json").out)
    assert "by the semilog rule" in by_rule["sentences"][0]
    assert by_rule["planned_uncertainty"][0]["u_between_percent"] == 0
    both = psdstats(*words, "--change", "-50", "--to", "35,75,150")
    assert both.code == 2
    assert "not allowed with argument" in both.err


def test_power_with_its_measurement_weighed(psdstats):
    words = (
        "plan",
        "power",
        "--run-percent",
        "2",
        "--groups",
        "2",
        "--replicates",
        "2",
        "--trials",
        "200",
        "--powder",
        "70,150,300",
        "--apertures",
        STACK,
        "--sample-g",
        "25",
    )
    fine, coarse = (
        json.loads(psdstats(*words, "--resolution", d, "--json").out) for d in ("0.01", "0.5")
    )
    assert "balance of 0.5 g resolution" in coarse["notes"][0]
    assert fine["power"][0]["power"] > coarse["power"][0]["power"]


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("power",), "name a study with --study, or state the standard deviation"),
        (("power", "--study", "x", "--run-percent", "2"), "not both"),
        (("power", "--run-percent", "2", "--powder", "70,150,300"), "belong together"),
        (("power", "--run-percent", "2", "--sieves-percent", "1", "--powder", "70,150,300",
          "--apertures", STACK), "sieves_percent cannot be given with --powder"),
        (("power", "--run-percent", "2", "--groups", "1", "--replicates", "1"), "one group with"),
        (("power", "--run-percent", "2", "--margin", "0"), "--margin: 0 is not a number from 0.01"),
        (("precision", "--powder", "70,150,300", "--apertures", "500,600", "--density", "2.7"),
         "D50 of 'powder' is not bracketed"),
        (("precision", "--powder", "70,150,300", "--apertures", STACK, "--density", "2.7",
          "--change", "-80"), "choose a stack that brackets it, or a smaller change"),
        (("sieves", "--powder", "a=1,2,3", "--powder", "a=1,2,3"), "give each powder its own"),
        (("sieves", "--powder", "70,150,300", "--rule", "cubic"), "--rule cannot be cubic. It"),
        (("sieves", "--powder", "70,150,300", "--series", "R7"), "series 'R7' is not known"),
        (("charge", "--jar-mm", "5", "--jar-ml", "10", "--balls", "20", "--ball-density", "7"),
         "does not fit into a drum of 5 mm"),
        (("timeline", "--times", "6,0"), "give increasing minutes from 0 up"),
        (("timeline", "--times", "0,600", "--day-hours", "2"), "more than the day of 120 min"),
    ],
)  # fmt: skip
def test_impossible_plans_are_one_sentence(psdstats, words, says):
    said = psdstats("plan", *words)
    assert said.code == 2
    assert said.out == ""
    assert says in said.err
    assert said.err.count("\n") == 1


@pytest.mark.parametrize(
    ("words", "says"),
    [
        ((), "PLAN"),
        (("power", "--groups", "2,x"), "--groups: x is not a whole number from 1 to 50"),
        (("sieves", "--powder", "1,2"), "1,2 does not give D10, D50 and D90"),
        (("charge", *CHARGE[1:-4], "--balls", "20:2:1", "--ball-density", "7"), "--balls: "),
        (("timeline", "--times", "0", "--start", "Monday"), "write it like 2026-01-05T08:30"),
        (("timeline", "--times", "0", "--start", "2026-01-05T08:30+01:00"), "names a time zone"),
    ],
)
def test_mistyped_plans_are_explained(psdstats, words, says):
    said = psdstats("plan", *words)
    assert said.code == 2
    assert says in said.err


@pytest.mark.parametrize("words", [CHARGE, TIMELINE])
def test_cautions_are_printed_even_when_quiet(psdstats, words):
    said = psdstats("plan", *words, "--quiet").out
    for word in ("explode as a dust cloud", "Do not breathe the dust", "are loud", "Local codes"):
        assert word in said
    assert len(json.loads(psdstats("plan", *words, "--json").out)["cautions"]) >= 5


def test_mass_ratio_of_the_balls_is_the_one_asked_for(psdstats):
    rows = json.loads(psdstats("plan", *CHARGE, "--json").out)["charge"]
    assert rows[0]["target_g"] == pytest.approx(2 * rows[1]["target_g"])
    one_ball = 7.8 * 3.141592653589793 / 6 * 2.0**3  # g, 20 mm
    assert rows[0]["mass_g"] == pytest.approx(rows[0]["count"] * one_ball)


def test_calendar_file_keeps_its_line_ends(psdstats, tmp_path):
    """RFC 5545, 3.1: lines end with CR LF and are no longer than 75 octets."""
    psdstats("plan", *TIMELINE, "--out", "made")
    raw = (tmp_path / "made" / "bench-plan.ics").read_bytes()
    assert raw.endswith(b"END:VCALENDAR\r\n")
    assert raw.count(b"\n") == raw.count(b"\r\n")
    assert max(map(len, raw.split(b"\r\n"))) <= 75
    assert b"DTSTART:20260105T083000" in raw


def test_lateness_has_a_seed_and_can_be_left_out(psdstats):
    first, again, other = (
        psdstats("plan", *TIMELINE, "--seed", seed, "--json").out for seed in ("1", "1", "2")
    )
    assert first == again != other
    assert "on 9 of 10 days" in json.loads(first)["sentences"][2]
    assert "9 of 10" not in psdstats("plan", *TIMELINE, "--spread-percent", "0").out


def test_named_charges(psdstats):
    said = psdstats("plan", "timeline", "--times", "0,6", "--charge-names", "Alder,Birch")
    assert "2 charges (Alder, Birch)" in said.out
