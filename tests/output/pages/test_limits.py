"""Decisions on limits as a page: the answer, the rule, one row a condition, bounds as bounds."""

from dataclasses import replace

import pytest

from psdstats.output.pages.budget import limits_page
from psdstats.uncertainty.conformity import Specification, judge_limit, specifications
from psdstats.words.numbers import Numerals
from psdstats.words.short_answers import keeps_to_limits


@pytest.fixture(scope="module")
def decided(benches):
    return judge_limit(benches.study, Specification(quantity="D10", upper=60.0))


def test_the_answer_counts_the_conditions_and_names_them(decided):
    page = limits_page([decided])
    counts = decided.table["verdict"].value_counts()
    told, rule = page.sentences
    assert told.startswith(
        f"D10 at most 60 µm: of 40 conditions {counts['conforming']} conform, "
        f"{counts['not conforming']} do not conform and of {counts['cannot be told']} it cannot be "
        "told. "
        "It is kept by Alder at 48 min, ball ratio 5; "
    )
    assert "at most 5 % risk at its end" in rule
    assert page.lead == (told,)
    assert [block.text for block in page.back().blocks] == [rule]


def test_the_table_shows_what_was_decided(decided):
    (table,) = limits_page([decided], Numerals(",")).tables
    at = {column.name: index for index, column in enumerate(table.columns)}
    assert "accept_from" not in at  # there is no lower limit
    for row, own in zip(table.grid(Numerals(",")), decided.table.to_dict("records"), strict=True):
        assert row[at["verdict"]] == own["verdict"]
        is_open = own["value"] != own["value"]
        assert row[at["value"]].startswith("<") == is_open
        if is_open:
            assert row[at["probability"]] == "–"


def test_no_chance_is_told_as_none_or_as_certain(benches):
    """Far within and far beyond a limit rounding leaves 0 and 1 beside chances just off them."""
    for limit in (60.0, 150.0, 400.0):
        result = judge_limit(benches.study, Specification(quantity="D50", upper=limit))
        (table,) = limits_page([result]).tables
        cells = {cell for row in table.grid(Numerals(".")) for cell in row}
        assert cells & {"< 0.1 %", "> 99.9 %"}
        assert not cells & {"0.0 %", "100.0 %"}


def test_one_run_is_told_with_its_probability(bench):
    alone = replace(bench.study, runs=bench.study.runs[-1:])
    result = judge_limit(alone, Specification(upper=150.0, guard_k=0.0))
    told, rule = limits_page([result]).sentences
    value = result.table["value"][0]
    assert told.startswith(f"D50 at most 150 µm: conforming; found {value:.1f} µm, which conforms ")
    assert rule.startswith("Simple acceptance: ")


def test_limits_of_the_study_stand_on_the_front_pages(benches):
    stated = replace(benches.study, limits={"D50_upper_um": 150.0, "D90_upper_um": 300.0})
    page = limits_page(judge_limit(stated, one) for one in specifications(stated))
    names = ["D50 at most 150 µm", "D90 at most 300 µm"]
    assert [told.split(":")[0] for told in page.lead] == names
    assert [block.name for block in page.front().blocks[2:]] == names
    assert specifications(benches.study) == ()


def test_what_is_said_under_the_table_is_of_its_columns(decided, benches):
    (plain,) = limits_page([decided]).tables
    assert not any("producer" in note for note in plain.notes)
    made = judge_limit(benches.study, replace(decided.specification, process=(60.0, 5.0)))
    assert any("producer" in note for note in limits_page([made]).tables[0].notes)


def test_a_limit_on_a_share_begins_a_sentence(benches):
    share = Specification(share_above_um=250.0, upper=0.6)
    told, _ = limits_page([judge_limit(benches.study, share)]).sentences
    assert told.startswith("Share above 250 µm at most 60 %: ")


def test_page_one_says_whether_the_limits_are_kept(benches):
    own = [
        judge_limit(benches.study, Specification(quantity=q, upper=60.0)) for q in ("D10", "D50")
    ]
    told = keeps_to_limits(own)
    assert told.strong.startswith("D10 at most 60 µm: of 40 conditions ")
    assert told.strong.endswith("it cannot be told.")
    assert "It is kept by Alder at 48 min" in told.rest
    assert "D50 at most 60 µm: of 40 conditions " in told.rest
