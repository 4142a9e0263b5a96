"""Notes in words: names of columns are put into words, names of runs and groups are not."""

import pytest

from psdstats.output.pages.comparison import comparison_notes, comparison_page
from psdstats.output.pages.parts import columns_in_words, left_out_notes, notes_by_quantity

COLUMNS = ("group", "milling_time_min", "ball_ratio", "time")


@pytest.mark.parametrize(
    ("note", "words"),
    [
        ("variance of group:milling_time_min at zero", "variance of group × milling time at zero"),
        (
            "variance of group:ball_ratio[order of milling_time_min] at zero",
            "variance of drift of group × ball ratio in the order of milling time at zero",
        ),
        ("set aside: run_a, ball_ratio-3, group:a, x_time", None),
        ("ball_ratio, then milling_time_min.", "ball ratio, then milling time."),
        ("1 run set aside: a, which 12:30 says", None),
    ],
)
def test_columns_in_words(note, words):
    assert columns_in_words(note, COLUMNS) == (note if words is None else words)


def test_without_columns_a_note_stays_as_it_is():
    assert columns_in_words("variance of group[order of x]", ()) == "variance of group[order of x]"


def test_the_same_note_of_several_sizes_is_said_once():
    notes = (("D10", "groups drift."), ("D50", "groups drift."), ("span", "another."))
    assert notes_by_quantity(notes) == ("D10, D50: groups drift.", "span: another.")


def test_notes_of_a_comparison_are_those_of_its_page(benches):
    """The command prints `comparison_notes`; the page lists the same."""
    notes = comparison_notes(benches.comparison)
    sections = comparison_page(benches.comparison).section().sections
    below = {section.heading: section for section in sections}
    assert below["Notes on the comparison"].blocks[0].items == notes
    assert not any("milling_time_min" in note or "[order" in note for note in notes)


def test_sources_left_out_are_named_with_the_switch_of_sampling():
    assert left_out_notes(["run_to_run"]) == ()
    assert left_out_notes(["calibration", "sampling", "lost_powder", "run_to_run"]) == (
        "Not counted: calibration, sampling, lost powder. To count more, write sampling = true and "
        "so on under [uncertainty] in study.toml.",
    )
