"""Notes in words: names of columns are put into words, names of runs and groups are not."""

from psdstats.output.pages.comparison import comparison_page
from psdstats.words.comparison import notes
from psdstats.words.report import left_out_notes


def test_notes_of_a_comparison_are_those_of_its_page(benches):
    """The command prints the notes of the page; the report lists the same."""
    told = notes(benches.comparison)
    sections = comparison_page(benches.comparison).whole().sections
    below = {section.heading: section for section in sections}
    assert below["Notes on the comparison"].blocks[0].items == told
    assert not any("milling_time_min" in note or "[order" in note for note in told)


def test_sources_left_out_are_named_with_the_switch_of_sampling():
    assert left_out_notes(["run_to_run"]) == ()
    assert left_out_notes(["calibration", "sampling", "lost_powder", "run_to_run"]) == (
        "Not counted: calibration, sampling, lost powder. To count more, write sampling = true and "
        "so on under [uncertainty] in study.toml.",
    )
