"""The whole report: order, nothing told twice, one decimal sign, cautions always there."""

import json
import re
from dataclasses import replace
from types import SimpleNamespace

import psdstats
from psdstats.comparison.beside import left_out, without_runs
from psdstats.comparison.plan import LevelTest
from psdstats.models import verdicts as models
from psdstats.output import report
from psdstats.output.collect import Results
from psdstats.output.content import Bullets, Equation, Page, Paragraph, Section, without_repeats
from psdstats.output.pages.checks import checks_page, checks_table, tare_drawings
from psdstats.output.report import provenance_text, report_content, report_record
from psdstats.output.table import Table
from psdstats.study.tares import tare_history
from psdstats.words.numbers import PLAIN, Numerals
from psdstats.words.report import CAUTIONS


def _results(found, **fields):
    given = {
        "study": found.study,
        "checks": found.checks,
        "propagation": found.sizes,
        "bands": found.bands,
        "comparison": found.comparison,
        "budget": found.budget,
    }
    return Results(**given | fields)


def _content(found, say=PLAIN, **fields):
    record = report_record(found.study, found.sizes, {"level": 0.95})
    return report_content(_results(found, **fields), provenance=provenance_text(record), say=say)


def test_order_of_the_report(benches):
    content = _content(benches)
    before = [section.heading for section in content.sections]
    behind = [section.heading for section in content.appendix]
    assert len(before) >= 3
    assert (behind[0], behind[-1]) == ("The study", "Method")
    assert len({*before, *behind}) == len(before) + len(behind)
    assert content.cautions == CAUTIONS
    method = content.appendix[-1]
    formulas = [block.formula for block in method.blocks if isinstance(block, Equation)]
    assert [formula for formula in formulas if formula.startswith("P(ln D_p ≤ τ) = ")]
    words = [item.partition(":")[0].lower() for item in method.sections[0].blocks[0].items]
    assert words
    assert words == [str(verdict) for verdict in models.Verdict if str(verdict) in words]
    assert len(content.provenance["runs.csv"]) == 16


def test_a_front_table_stands_before_the_appendix_and_in_it_no_more(benches, monkeypatch):
    """What is marked so, and the sentences that lead it, come before the rest of its page."""
    front, behind = (
        Table(name=name, frame=benches.runs, caption=name, is_front=name == "front")
        for name in ("front", "behind")
    )
    page = Page(heading="A", behind="All of A", lead=("So it is.",), blocks=(behind, front))
    monkeypatch.setattr(report, "report_pages", lambda *_: [page, Page(heading="B")])
    content = _content(benches)
    assert content.sections == (Section(heading="A", blocks=(Paragraph("So it is."), front)),)
    first, method = content.appendix
    assert first == Section(heading="All of A", blocks=(behind,))
    assert method.heading == "Method"


def test_the_author_is_that_of_the_study_unless_another_is_given(bench, tmp_path):
    study = replace(bench.study, author="B. Miller", date="1 May 2026")
    known = {"propagation": bench.sizes, "comparison": bench.comparison, "checks": bench.checks}
    given = {"a": {}, "b": {"author": "C. Smith", "date": "2 May 2026"}}
    texts = [
        psdstats.report(study, tmp_path / name, **known, **own).path.read_text(encoding="utf-8")
        for name, own in given.items()
    ]
    assert '<meta name="author" content="B. Miller">' in texts[0]
    assert '<meta name="author" content="C. Smith">' in texts[1]
    assert "B. Miller" not in texts[1]
    record = json.loads((tmp_path / "b" / "provenance.json").read_text(encoding="utf-8"))
    assert [record["options"][name] for name in ("author", "date")] == ["C. Smith", "2 May 2026"]
    assert record["repeat_with"] is None  # no command made it


def _cited(content):
    text = " ".join(block.text for block in content.blocks() if hasattr(block, "text"))
    return [int(number) for number in re.findall(r"\[(\d+)\]", text)]


def test_references_are_those_cited_in_their_order(benches):
    content = _content(benches)
    numbers = list(dict.fromkeys(_cited(content)))
    assert numbers == list(range(1, len(content.references) + 1))
    assert len(set(content.references)) == len(numbers)


def test_works_stand_where_their_method_was_used(benches):
    """Neither draws, groups, margin nor Kenward and Roger's tests: none of their works."""
    plan = replace(benches.comparison.plan, margin_percent=None)
    other = SimpleNamespace(
        **vars(benches) | {"comparison": replace(benches.comparison, plan=plan)}
    )
    names = " ".join(_content(other).references)
    assert "Dunnett" in names
    assert not any(one in names for one in ("JCGM 101", "ISO 5725", "Schuirmann", "Kenward"))
    plan = replace(benches.comparison.plan, test=LevelTest.KENWARD_ROGER)
    other = SimpleNamespace(
        **vars(benches) | {"comparison": replace(benches.comparison, plan=plan)}
    )
    names = " ".join(_content(other).references)
    assert "Schuirmann" in names
    assert "Kenward" in names


def test_groups_are_counted_from_the_runs(benches):
    (table,) = [one for one in _content(benches).tables if one.name == "groups"]
    assert list(table.frame["runs"]) == [20, 20, 20, 20]
    assert table.frame["times"].iloc[0] == "0, 6, 12, 24, 48"
    assert table.frame["apertures_um"].iloc[-1] == "53, 75, 106, 150, 212, 300, 425, 600"


def test_notes_are_told_once(bench):
    items = [
        item
        for block in _content(bench).blocks()
        if isinstance(block, Bullets)
        for item in block.items
    ]
    assert len(items) == len(set(items))
    assert set(bench.study.notes) <= set(items)


def test_lists_left_empty_disappear():
    first = Section(heading="A", blocks=(Bullets(("one", "two")),))
    second = Page(heading="B", notes=("two",)).back()
    third = Page(heading="C", notes=("two", "three")).back()
    kept = without_repeats([first, second, third])
    assert [section.heading for section in kept] == ["A", "C"]
    assert kept[1].sections[0].blocks == (Bullets(("three",)),)
    assert Page(heading="D").back() is None


def test_checks_list_what_presses_and_count_the_notes(benches):
    section = checks_page(benches.checks).whole()
    pressing = [each for each in benches.checks.flags if each.severity != "note"]
    table = next(block for block in section.blocks if isinstance(block, Table))
    says, where = list(table.frame["says"]), list(table.frame["where"])
    open_runs = [each for each in pressing if "D10 lies below" in each.says]
    assert len(says) == len(pressing) - len(open_runs) + 1
    assert {each.says for each in pressing if each not in open_runs} < set(says)
    assert where[0].startswith("cedar-5to1-6min-b, Cedar 180 µm (weighings.csv")
    (together,) = [at for at, text in enumerate(where) if text.startswith("8 runs: ")]
    shares = sorted(float(re.search(r"([\d.]+) %", each.says)[1]) for each in open_runs)
    expected = f"D10 lies below the finest sieve ({shares[0]:g} to {shares[-1]:g} %)"
    assert says[together] == expected
    assert "and 5 more" in where[together]
    notes = len(benches.checks.flags) - len(pressing)
    assert f"{notes} further notes (such as a class" in section.blocks[-1].text
    assert len(checks_table(benches.checks).frame) == len(benches.checks.flags)


def test_tares_that_moved_are_named(benches):
    drawings = tare_drawings(tare_history(benches.study))
    assert [drawing.name for drawing in drawings] == [
        f"tares {group}" for group in ("Alder", "Birch", "Cedar", "Rowan")
    ]
    assert "Alder 63 µm in alder-10to1-12min-b" in drawings[0].alternative


def test_report_with_comma_has_no_point_between_digits(bench):
    content = _content(bench, Numerals(","))
    texts = []
    for block in content.blocks():
        texts += [*getattr(block, "items", ()), getattr(block, "caption", "")]
    assert content.say == Numerals(",")
    assert any(re.search(r"\d,\d", text) for text in texts)
    assert set(bench.study.notes) < set(texts)  # what the reader assumed keeps its point
    texts = [text for text in texts if text not in bench.study.notes]
    assert not [text for text in texts if re.search(r"(?<![\w.-])\d+\.\d+(?![\w.])", text)]


def test_checks_say_what_changes_without_the_runs_in_doubt(benches):
    """Each row against the changes without its runs, the lead against all of them together."""
    page = checks_page(benches.checks, benches.comparison)
    table = next(block for block in page.blocks if isinstance(block, Table))
    assert list(table.frame["without"]) == ["under 0.1"] * 3 + ["counted as a bound"]
    assert list(table.frame["size"]) == ["−0.1 %", "under 0.1 %", "+0.3 %", "–"]
    most = max(one.points for one in without_runs(benches.comparison, benches.checks.doubted_runs))
    assert most < 0.1
    assert page.lead == (
        "3 runs are in doubt. Without all of them together no change by the end "
        "moves by as much as 0.1 points.",
    )
    assert page.front().heading == "Checks of the readings"
    assert page.back().heading == "Further notes of the checks"


def test_checks_name_the_changes_that_move(benches):
    """A reading in doubt in the run that moves a change the most."""
    runs = [one for one in left_out(benches.comparison) if one.column == "run"]
    flag = benches.checks.flags[0]
    flag = replace(flag, spot=replace(flag.spot, run=runs[0].name))
    page = checks_page(replace(benches.checks, flags=(flag,)), benches.comparison)
    points = {}
    for one in without_runs(benches.comparison, [runs[0].name]):
        points[one.quantity] = max(one.points, points.get(one.quantity, 0.0))
    moving = [name for name in ("D50", "D90") if points[name] >= 0.1]
    assert moving
    table = next(block for block in page.blocks if isinstance(block, Table))
    assert list(table.frame["without"]) == [
        ", ".join(f"{points[name]:.1f} ({name})" for name in moving)
    ]
    most = max(points, key=points.__getitem__)
    assert f"move by at most {points[most]:.1f} points ({most})" in page.lead[0]


def test_clean_readings_leave_nothing_to_look_at(bench):
    page = checks_page(bench.checks, bench.comparison)
    assert page.lead == ()
    assert page.front() is None
