"""What each command prints, writes and answers, on the demo studies (invented data)."""

import csv
import json
import re
import shutil

import numpy as np
import pytest

from psdstats import read_study
from psdstats.study import check_study

LINEAR = ("--method", "linear")


def test_demo_names_the_next_commands(psdstats, tmp_path):
    said = psdstats("demo", "trial")
    assert said.code == 0
    assert said.out.splitlines()[1:] == [
        "  psdstats check trial",
        "  psdstats sizes trial",
        "  psdstats report trial",
    ]
    assert len(read_study(tmp_path / "trial").runs) == 80
    again = psdstats("demo", "trial")
    assert again.code == 2
    assert again.err == (f"psdstats: {tmp_path / 'trial'} exists already. Choose another name.\n")


def test_small_demo_is_one_file_and_quotes_a_name_with_a_space(psdstats):
    said = psdstats("demo", "my trial", "--small")
    assert '  psdstats check "my trial/one_bench.csv"' in said.out
    assert json.loads(psdstats("demo", "other", "--small", "--json").out)["study"].endswith(
        "one_bench.csv"
    )


def test_check_answers_by_its_exit_code(psdstats, benches, bench):
    assert psdstats("check", bench).code == 0
    warned = psdstats("check", benches)
    assert warned.code == 1
    assert "80 runs" not in warned.err
    first = "warning: weighings.csv, row 392: run cedar-5to1-6min-b"
    assert first in warned.out
    text = (benches / "weighings.csv").read_text(encoding="utf-8").splitlines()
    text[1] = text[1].rpartition(",")[0] + ",1.00"
    (benches / "weighings.csv").write_text("\n".join(text) + "\n", encoding="utf-8")
    wrong = psdstats("check", benches)
    assert wrong.code == 2
    assert wrong.out.startswith("error: weighings.csv, row 2:")


def test_check_json_holds_every_finding(psdstats, benches):
    said = json.loads(psdstats("check", benches, "--json").out)
    report = check_study(read_study(benches))
    assert said["exit_code"] == 1
    assert [found["says"] for found in said["flags"]] == [each.says for each in report.flags]
    assert {"severity", "row", "run", "sieve", "limit", "remedy", "source"} <= set(said["flags"][0])
    places = [(place["run"], place["row"]) for own in said["findings"] for place in own["places"]]
    assert sorted(places) == sorted((each.spot.run, each.spot.row) for each in report.flags)
    open_runs = [own for own in said["findings"] if own["check"] == "not_bracketed"]
    assert [len(own["runs"]) for own in open_runs] == [8]
    assert (open_runs[0]["smallest"], open_runs[0]["largest"]) == pytest.approx((10.2, 14.9), 0.01)


def test_check_notes_are_counted_or_printed(psdstats, benches):
    notes = len(check_study(read_study(benches)).of_severity("note"))
    assert "1 note asks for nothing; --notes" in psdstats("check", benches).out
    assert f"note: in {notes} runs: " in psdstats("check", benches, "--notes").out
    assert psdstats("check", benches, "--notes", "--each").out.count("note: ") == notes
    assert "asks for nothing" not in psdstats("check", benches, "--quiet").out


def test_check_tells_what_is_alike_in_one_line(psdstats, benches):
    """Eight runs have D10 in the pan; each of the other three warnings stands alone."""
    warnings = check_study(read_study(benches)).of_severity("warning")
    open_runs = [one.spot.run for one in warnings if one.check == "not_bracketed"]
    short = psdstats("check", benches).out.splitlines()
    (alike,) = [line for line in short if line.startswith("warning: in 8 runs: ")]
    told = "D10 lies below the finest sieve (10.2 to 14.9 %). Add a finer sieve; until then "
    assert f"{', '.join(open_runs)}: {told}" in alike
    assert alike.endswith("[not_bracketed]")
    assert sum(line.startswith("warning: ") for line in short) == len(warnings) - 7
    each = psdstats("check", benches, "--each").out
    assert each.count("D10 lies below the finest sieve") == len(open_runs) == 8


def test_check_tells_what_the_answer_is_without_the_runs_in_doubt(psdstats, two_times):
    """A tare of another sieve: the sentence, the table and the comparison say the same."""
    from psdstats import compare
    from psdstats.comparison.beside import conditions_without, without_runs

    assert "No run is in doubt." in psdstats("check", two_times, "--effect").out
    rows = (two_times / "weighings.csv").read_text(encoding="utf-8").splitlines()
    run, sieve, aperture, tare, gross = rows[12].split(",")
    rows[12] = ",".join([run, sieve, aperture, f"{float(tare) - 8.0:.1f}", gross])
    (two_times / "weighings.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    said = psdstats("check", two_times, "--effect", "--json")
    document, compared = json.loads(said.out), compare(read_study(two_times), quantities=("D50",))
    (row,) = document["effect"]
    assert row["runs"] == run
    assert "tare_drift" in row["check"]
    (size,) = conditions_without(compared, "D50", [run])
    (change,) = without_runs(compared, [run])
    assert [row["size"], row["size_without"]] == pytest.approx(np.exp([size.effect, size.without]))
    moved = 100.0 * np.expm1([change.effect, change.without])
    assert [row["change"], row["change_without"]] == pytest.approx(moved)
    assert row["change_moves"] == pytest.approx(moved[1] - moved[0])
    told = document["sentences"][-1]
    assert told.startswith(f"Without {run}: D50 at ")
    assert f"is {np.exp(size.without):.4g} µm instead of {np.exp(size.effect):.4g} µm" in told


def test_check_tells_what_the_study_leaves_open(psdstats, benches, tmp_path):
    """A table of another name is named and not read."""
    trial = tmp_path / "trial"
    shutil.copytree(benches, trial)
    (trial / "weighings_old.csv").write_text("run\n", encoding="utf-8")
    notes = read_study(trial).notes
    assert any("weighings_old.csv" in note for note in notes)
    said = psdstats("check", trial)
    assert all(f"Note on the study: {note}" in said.out for note in notes)
    assert json.loads(psdstats("check", trial, "--json").out)["notes"] == list(notes)


@pytest.mark.parametrize("command", ["check", "sizes", "budget", "compare", "rate", "report"])
def test_json_holds_the_answer_in_words_under_one_key(psdstats, bench, command, request):
    if command == "report":
        document = json.loads(request.getfixturevalue("small_report").out)
    else:
        linear = () if command in ("check", "budget", "compare", "rate") else LINEAR
        document = json.loads(psdstats(command, bench, *linear, "--json").out)
    assert all(isinstance(each, str) for each in document["sentences"])
    assert document["sentences"] or command == "check"


def test_sizes_prints_what_python_gives(psdstats, bench):
    from psdstats import propagate

    expected = propagate(read_study(bench), method="linear").to_frame()
    said = json.loads(psdstats("sizes", bench, *LINEAR, "--json").out)
    own = expected[expected["quantity"] == "D50"].set_index("run")
    for row in said["sizes"]:
        assert row["D50_um"] == own.loc[row["run"], "value"]
        assert row["u_D50_um"] == own.loc[row["run"], "u"]
    shown = psdstats("sizes", bench, *LINEAR).out
    assert all(
        len(line) <= 100 for line in shown.splitlines() if not line.startswith(("Note", "The m"))
    )
    assert "mill-48" in shown


def test_sizes_add_ratios_and_bootstrap_means(psdstats, bench):
    from psdstats.uncertainty import ratio_intervals

    study = read_study(bench)
    first, last = study.runs[0].name, study.runs[-1].name
    expected = ratio_intervals(study, [(last, first)], method="linear").to_frame()
    options = (*LINEAR, "--ratios", "milling_time_min", "--bootstrap", "milling_time_min")
    said = json.loads(psdstats("sizes", bench, *options, "--json").out)
    (own,) = (
        row
        for row in said["size_ratios"]
        if (row["milling_time_min"], row["quantity"]) == ("48", "D50")
    )
    wanted = expected[expected["quantity"] == "D50"].iloc[0]
    assert [own[name] for name in ("ratio", "lower", "upper")] == pytest.approx(
        wanted[["ratio", "lower", "upper"]].tolist()
    )
    assert {row["n_units"] for row in said["bootstrap"]} == {1}


def test_out_writes_and_never_covers(psdstats, bench, tmp_path, contents):
    said = psdstats("sizes", bench, *LINEAR, "--out", "out")
    assert f"Wrote tables and figures to {tmp_path / 'out'}" in said.out
    written = contents(tmp_path / "out")
    assert {"tables/sizes.csv", "tables/all-tables.xlsx", "figures/undersize.svg"} <= set(written)
    refused = psdstats("sizes", bench, *LINEAR, "--out", "out")
    assert refused.code == 2
    assert "exists already" in refused.err
    assert contents(tmp_path / "out") == written
    (tmp_path / "out" / "mine.txt").write_text("kept", encoding="utf-8")
    replaced = psdstats("sizes", bench, *LINEAR, "--out", "out", "--replace")
    assert replaced.code == 0
    assert contents(tmp_path / "out") == {**written, "mine.txt": b"kept"}


def test_without_out_nothing_is_written(psdstats, bench, tmp_path):
    before = sorted(tmp_path.iterdir())
    for command in ("sizes", "budget", "check"):
        psdstats(command, bench)
    assert sorted(tmp_path.iterdir()) == before


def test_quiet_leaves_results_only(psdstats, trial):
    loud = psdstats("sizes", trial, *LINEAR)
    quiet = psdstats("sizes", trial, *LINEAR, "--quiet")
    assert loud.err.startswith("psdstats: 2 warnings from the bench checks; see: psdstats check")
    assert quiet.err == ""
    assert "notes say what was assumed or left out: --all-notes prints them." in loud.out
    assert "note" not in quiet.out
    notes = json.loads(psdstats("sizes", trial, *LINEAR, "--json").out)["notes"]
    told = psdstats("sizes", trial, *LINEAR, "--all-notes").out.splitlines()
    assert [line for line in told if line.startswith("Note: ")] == [f"Note: {one}" for one in notes]
    assert quiet.out.splitlines()[:5] == loud.out.splitlines()[:5]


@pytest.mark.parametrize("sign", [",", "comma"])
def test_decimal_comma_is_everywhere(psdstats, bench, tmp_path, sign):
    said = psdstats("sizes", bench, *LINEAR, "--decimal", sign, "--out", "out", "--quiet")
    assert re.search(r"\d,\d ± \d,\d", said.out)
    figure = (tmp_path / "out/figures/sizes-against-milling-time.svg").read_text(encoding="utf-8")
    hovers = re.findall(r"<title>([^<]*)</title>", figure)[1:]
    assert any(re.search(r"\d,\d", hover) for hover in hovers)
    assert not any(re.search(r"\d\.\d", hover) for hover in hovers)
    table = (tmp_path / "out/tables/sizes.md").read_text(encoding="utf-8")
    assert re.search(r"\d,\d ± \d,\d", table)


def test_compare_json_has_verdicts_and_full_precision(psdstats, bench):
    from psdstats import compare, propagate
    from psdstats.uncertainty.inputs import measurement_sources
    from psdstats.words.comparison import headlines

    study = read_study(bench)
    known = propagate(study, method="linear", sources=measurement_sources(study))
    expected = compare(study, propagation=known)
    said = json.loads(psdstats("compare", bench, "--json").out)
    assert said["sentences"] == list(headlines(expected))
    rows = said["effects_against_first"]
    assert [row["ratio"] for row in rows] == list(expected.to_frame("against first")["ratio"])


def test_compare_prints_one_family_or_all(psdstats, trial):
    short = psdstats("compare", trial)
    assert "Each size from the first to the last milling time, and when to stop." in short.out
    assert "against the one before: ratios" not in short.out
    (others,) = [one for one in short.out.splitlines() if one.startswith("--all-tables prints")]
    assert {"effects against first", "effects successive", "effects all pairs"} <= set(
        others.rstrip(".").split(": ")[1].split(", ")
    )
    full = psdstats("compare", trial, "--all-tables", "--quiet")
    assert "against the one before: ratios" in full.out
    table = [line for line in short.out.splitlines() if line.startswith(("D50 ", "D90 "))]
    assert all(len(line) <= 100 for line in table if " vs " in line)


def test_compare_by_the_families_asked_for(psdstats, trial):
    asked = psdstats("compare", trial, "--families", "successive", "--json")
    found = json.loads(asked.out)
    assert [name for name in found if name.startswith("effects")] == ["effects_successive"]
    assert not any("against 0 min" in one for one in found["sentences"] if "24 min" in one)
    unknown = psdstats("compare", trial, "--families", "every-one")
    assert unknown.code != 0
    assert "No family of contrasts is called 'every one'; use one of 'against first'" in unknown.err


def test_compare_by_combination_and_each(psdstats, trial):
    said = psdstats(
        *("compare", trial, "--by", "ball_ratio", "--at-each", "milling_time_min"),
        *("--within", "group", "--within", "group:milling_time_min", "--json"),
    )
    found = json.loads(said.out)
    rows = [row for row in found["effects_all_pairs"] if row["quantity"] == "D50"]
    assert [row["milling_time_min"] for row in rows] == ["0", "6", "24"]
    assert {row["component"] for row in found["variance_components"]} == {
        "group",
        "group and milling time",
        "group and ball ratio and milling time",
        "runs",
    }


def test_budget_shares_sum_to_one(psdstats, trial):
    said = json.loads(psdstats("budget", trial, "--json").out)
    for table, keys in (("budget_runs", ("run",)), ("budget_differences", ("level", "versus"))):
        sums: dict[tuple[object, ...], float] = {}
        for row in said[table]:
            if row["share"] is not None:
                key = (row["quantity"], *(row[name] for name in keys))
                sums[key] = sums.get(key, 0.0) + row["share"]
        assert sums
        assert all(total == pytest.approx(1.0) for total in sums.values())
    shown = psdstats("budget", trial, "--quiet").out
    assert shown.startswith("The measurement leaves D50 of one run a standard uncertainty of ")
    assert "What a change would buy" in psdstats("budget", trial, "--all-tables").out


def test_convert_goes_round_without_loss(psdstats, benches, tmp_path):
    study = read_study(benches)
    assert psdstats("convert", benches, "a.xlsx").code == 0
    assert psdstats("convert", "a.xlsx", "b.csv").code == 0
    said = psdstats("convert", "b.csv", "c", "--json")
    assert json.loads(said.out).items() >= {
        "study": str(tmp_path / "c"), "form": "folder", "runs": 80, "aside": 0, "comments": 0,
        "given_up": [],
    }.items()  # fmt: skip
    assert read_study(tmp_path / "c") == study
    before = (benches / "runs.csv").read_bytes()
    refused = psdstats("convert", "b.csv", "a.xlsx")
    assert (refused.code, "exists already" in refused.err) == (2, True)
    whole = (tmp_path / "a.xlsx").read_bytes()
    for target in ("a.xlsx", benches / "runs.csv"):
        refused = psdstats("convert", "b.csv", target, "--replace")
        assert (refused.code, "a single file is never replaced" in refused.err) == (2, True)
    assert (tmp_path / "a.xlsx").read_bytes() == whole
    assert (benches / "runs.csv").read_bytes() == before


def test_results_never_replace_readings(psdstats, bench, tmp_path):
    assert psdstats("convert", bench, "kept").code == 0
    assert psdstats("demo", "small", "--small").code == 0
    for study, out in (("kept", "kept"), ("small/one_bench.csv", "small")):
        refused = psdstats("sizes", study, *LINEAR, "--out", out, "--replace")
        assert refused.code == 2
        assert "holds readings, which results never replace. Choose another" in refused.err
    assert (tmp_path / "small" / "one_bench.csv").is_file()
    assert read_study(tmp_path / "kept") == read_study(bench)
    assert psdstats("convert", bench, "kept", "--replace").code == 0


def test_convert_carries_what_is_put_aside_and_leaves_behind_what_is_named(
    psdstats, bench, tmp_path
):
    assert psdstats("convert", bench, "a").code == 0
    runs = tmp_path / "a" / "runs.csv"
    header, first, *rows = runs.read_text(encoding="utf-8").splitlines()
    lines = [f"{header},status", f"{first},abandoned", *(f"{row}," for row in rows)]
    runs.write_text("\n".join(lines) + "\n", encoding="utf-8")
    (tmp_path / "a" / "diary.csv").write_text("day,room\n1,damp\n", encoding="utf-8")
    refused = psdstats("convert", "a", "b.xlsx")
    assert refused.code == 2
    assert "The form workbook cannot hold 1 of the things found: diary.csv" in refused.err
    assert not (tmp_path / "b.xlsx").exists()
    said = psdstats("convert", "a", "b.xlsx", "--give-up", "diary.csv")
    assert said.code == 0
    assert f"Wrote {len(rows)} runs, 1 put aside (planned, abandoned or weighed" in said.out
    assert psdstats("convert", "b.xlsx", "c").code == 0
    assert (tmp_path / "c" / "runs.csv").read_text(encoding="utf-8").splitlines() == lines


def test_convert_refuses_an_ending_it_does_not_know(psdstats, bench):
    said = psdstats("convert", bench, "study.ods")
    assert said.code == 2
    assert said.err == (
        "psdstats: The ending .ods of study.ods names no form of a study. Use .csv, .xlsx, or a "
        "folder name without a point.\n"
    )


def test_sheet_writes_workbook_tables_and_labels(psdstats, tmp_path):
    said = psdstats(
        *("sheet", "--group", "Alder", "--group", "Birch", "--times", "0,12", "--replicates", "2"),
        *(
            "--series",
            "R20/3",
            "--finest",
            "45",
            "--coarsest",
            "500",
            "--factor",
            "ball_ratio=5,10",
        ),
    )
    assert said.code == 0
    folder = tmp_path / "recording-sheet"
    assert "Wrote a sheet for 16 runs" in said.out
    with (folder / "csv" / "weighings.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == 16 * 9  # eight sieves and the pan
    assert {float(row["aperture_um"]) for row in rows} == {0, 45, 63, 90, 125, 180, 250, 355, 500}
    assert (folder / "recording-sheet.xlsx").read_bytes()[:2] == b"PK"
    labels = (folder / "labels.html").read_text(encoding="utf-8")
    assert labels.count("<li>") == 16


@pytest.mark.parametrize(("option", "kinds"), [((), 2), (("--fresh-charge",), 4)])
def test_sheet_fills_in_the_charge(psdstats, tmp_path, option, kinds):
    words = ("sheet", "--times", "0,6", "--replicates", "2", "--apertures", "90", "--out", "s")
    said = psdstats(*words, *option)
    assert ("planned is a fresh filling" in said.out) is bool(option)
    rows = (tmp_path / "s" / "csv" / "runs.csv").read_text(encoding="utf-8").splitlines()
    place = rows[0].split(",").index("charge")
    assert len({row.split(",")[place] for row in rows[1:]}) == kinds


def test_sheet_takes_the_laboratorys_own_sieves(psdstats, tmp_path):
    (tmp_path / "sieves.csv").write_text(
        "sieve,nominal_um,certified_um,expanded_uncertainty_um,coverage_factor\n"
        "L1,63,63.4,0.8,2\nL2,125,,,\n",
        encoding="utf-8",
    )
    said = psdstats("sheet", "--times", "0,6", "--sieves", "sieves.csv", "--out", "s", "--json")
    assert json.loads(said.out)["runs"] == ["bench-0", "bench-6"]
    text = (tmp_path / "s/csv/sieves.csv").read_text(encoding="utf-8")
    assert "63.4" in text
    (tmp_path / "sieves.csv").write_text("sieve,nominal_um\nL1,wide\n", encoding="utf-8")
    wrong = psdstats("sheet", "--times", "0", "--sieves", "sieves.csv", "--out", "t")
    assert wrong.code == 2
    assert wrong.err.startswith("psdstats: sieves.csv, row 2, column nominal_um:")
    missing = psdstats("sheet", "--times", "0", "--sieves", "none.csv", "--out", "t")
    assert "none.csv: there is no such file. Give a CSV file" in missing.err
    assert not (tmp_path / "t").exists()


def test_limit_judges_what_is_asked_or_what_the_study_states(psdstats, bench):
    said = psdstats("limit", bench, "--upper", "150", "--quiet")
    assert said.code == 0, said.err
    assert said.out.startswith("D50 at most 150 µm: of 5 conditions ")
    written = psdstats("limit", bench, "--upper", "150", "--out", "kept")
    assert "Wrote tables to " in written.out  # it draws nothing
    refused = psdstats("limit", bench)
    assert refused.code == 2
    assert "study.toml states no limits" in refused.err
    text = bench.read_text(encoding="utf-8")
    bench.write_text(f"# [limits]\n# D90_upper_um = 300\n{text}", encoding="utf-8")
    found = json.loads(psdstats("limit", bench, "--json").out)
    assert found["sentences"][0].startswith("D90 at most 300 µm: of 5 conditions ")
    rows = found["d90_at_most_300_um"]
    assert {row["verdict"] for row in rows} <= {"conforming", "not conforming", "cannot be told"}


def test_budget_of_one_run_states_its_size_and_its_inputs(psdstats, bench):
    said = psdstats("budget", bench, "--run", "mill-24", "--quantity", "D90", "--json")
    assert said.code == 0, said.err
    found = json.loads(said.out)
    assert found["sentences"][0].startswith("D90 of mill-24 = ")
    assert {row["source"] for row in found["budget_of_one_d90"]} >= {"aperture", "combined"}
    refused = psdstats("budget", bench, "--run", "mill-99")
    assert refused.code == 2
    assert "run 'mill-99' is not in the study" in refused.err


def test_compare_simulates_trials_like_this_one(psdstats, bench):
    said = psdstats("compare", bench, "--attained", 1, "--quantity", "D50", "--json", "--quiet")
    found = json.loads(said.out)
    assert any("In 1 simulated trials like this one" in one for one in found["sentences"])
    kinds = {row["kind"] for row in found["attained"]}
    assert {"change by the end", "false fall"} <= kinds
    assert psdstats("compare", bench, "--attained", 0, "--quantity", "D50").code == 2


def test_compare_resamples_its_headlines(psdstats, bench):
    said = psdstats("compare", bench, "--resample", "--quantity", "D50", "--json", "--quiet")
    (row,) = json.loads(said.out)["resampled_headlines"]
    assert row["resampled"] == "readings alone, by their uncertainty"
    assert row["lower"] < row["effect"] < row["upper"]


def test_check_says_that_errors_come_before_the_effect(psdstats, two_times):
    rows = (two_times / "weighings.csv").read_text(encoding="utf-8").splitlines()
    run, sieve, aperture, tare, _ = rows[12].split(",")
    rows[12] = ",".join([run, sieve, aperture, tare, f"{float(tare) - 3.0:.1f}"])
    (two_times / "weighings.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    said = psdstats("check", two_times, "--effect")
    assert said.code == 2
    assert said.out.count("nothing is said of the main answer: mend the errors first.") == 1
