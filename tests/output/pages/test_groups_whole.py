"""Whole distributions and fits on the page: classes that moved, misfit, fineness."""

import numpy as np
import pytest
from matplotlib.collections import PathCollection

from psdstats.comparison.whole import compare_distributions, curve_points, fit_study
from psdstats.distribution.moments import fineness_table
from psdstats.output.pages.whole_distribution import (
    class_drawings,
    fits_page,
    fitted_sizes_table,
    misfit_drawing,
    moved_table,
    whole_page,
)
from psdstats.words.sizes import fineness_sentence, whole_sentences


@pytest.fixture(scope="module")
def whole(benches):
    return compare_distributions(benches.study, permutations=499)


@pytest.fixture(scope="module")
def fitted(bench):
    return fit_study(bench.study), curve_points(bench.study)


def test_changes_of_all_classes_of_a_pair_cancel(whole):
    """Fractions sum to one, so the changes between two levels sum to zero."""
    frame = moved_table(whole).frame
    sums = frame.groupby(["stack", "low", "high"])["change_percent"].sum()
    assert len(sums) == 8
    assert sums.to_numpy() == pytest.approx(np.zeros(8), abs=1e-9)


def test_lines_stand_for_the_changes_and_marks_are_empty_where_nothing_is_shown(whole):
    (drawing,) = class_drawings(whole)
    axes = drawing.figure.axes
    assert [ax.get_title(loc="left") for ax in axes] == ["Alder, Birch, Cedar", "Rowan"]
    for ax, part in zip(axes, whole.parts, strict=True):
        dots = [one for one in ax.collections if isinstance(one, PathCollection)]
        drawn = [one.get_offsets()[:, 1].tolist() for one in dots]
        assert drawn == [pytest.approx(one.change_percent.tolist()) for one in part.moved]
        moved = np.concatenate([one.moved for one in part.moved])
        white = sum(tuple(face[:3]) == (1, 1, 1) for one in dots for face in one.get_facecolors())
        assert white == (~moved).sum()
    last = whole.parts[1].moved[-1]
    told = drawing.alternative.rpartition("Rowan, 0 to 48 min: ")[2]
    assert told.count("µm") == last.moved.sum()


def test_sentences_tell_the_ends_of_a_time_and_every_pair_of_a_factor(benches, whole):
    assert whole_sentences(whole)[0].startswith("The whole distribution changes with milling time")
    assert sum("0 to " in one for one in whole_sentences(whole)) == len(whole.parts)
    by_ratio = compare_distributions(benches.study, by="group", within=None, permutations=199)
    told = whole_sentences(by_ratio)[1:]
    assert len(told) == sum(len(part.moved) for part in by_ratio.parts)
    assert not any("milling_time_min" in one for one in told)


def test_sensitivity_and_notes_are_on_the_page(whole):
    section = whole_page(whole).back()
    (table,) = [block for block in section.blocks if hasattr(block, "row_headings")]
    assert list(table.frame["delta_factor"]) == [0.5, 1.0, 2.0]
    (notes,) = section.sections
    assert any("empty classes were given" in note for note in notes.blocks[0].items)
    assert whole_page(whole).front() is None
    assert set(table.frame["p_shown"]) == {"≤ 0.0020"}
    assert (
        "p at most 0.002, the least that 500 rearrangements can give" in section.blocks[0].items[0]
    )


def test_a_design_with_nothing_to_test_says_so(bench):
    page = whole_page(compare_distributions(bench.study))
    assert "cannot be told" in page.sentences[0].lower()
    assert len(page.sentences) == 1
    assert (page.tables, page.drawings, page.notes) == ((), (), ())


def test_misfit_is_measured_less_fitted(bench, fitted):
    fits, points = fitted
    axes = misfit_drawing(fits, points, bench.runs).figure.axes
    assert [ax.get_title(loc="left") for ax in axes] == [
        "Rosin–Rammler–Bennett",
        "log-normal",
        "Gates–Gaudin–Schuhmann",
    ]
    (run, _), fit = next(iter(fits.fits.items()))
    own = next(one for one in points if one.run == run)
    expected = 100 * (own.undersize - fit.undersize(own.aperture_um))
    lines = [list(line.get_ydata()) for line in axes[0].lines]
    assert any(line == pytest.approx(list(expected)) for line in lines)


def test_fits_are_counted_and_extrapolated_sizes_marked(bench, fitted):
    fits, points = fitted
    fineness = fineness_table(bench.study)
    page = fits_page(fits, points, bench.runs, fineness)
    described = fits.families_frame().set_index("family")["described"]
    first = f"Rosin–Rammler–Bennett: {described['rosin-rammler-bennett']} of 5 runs"
    assert page.sentences[0].startswith(first)
    assert fits.summary().startswith(first)
    frame = fitted_sizes_table(fits).frame
    assert ((frame["note"] == "extrapolated") == frame["extrapolated"]).all()


def test_fineness_classes_are_counted(bench):
    frame = fineness_table(bench.study)
    sentence = fineness_sentence(frame)
    for name, count in frame["classes"].value_counts().items():
        assert f"{name}: {count} run" in sentence


def test_the_sentence_counts_what_moved_and_names_the_ends(whole):
    for part, sentence in zip(whole.parts, whole_sentences(whole)[1:], strict=True):
        last = part.moved[-1]
        names = list(last.to_frame()["class"])
        most, least = int(last.change_percent.argmax()), int(last.change_percent.argmin())
        count = last.moved.sum()
        many = f"all {count}" if count == len(names) else f"{count} of {len(names)}"
        assert f"{many} size classes moved" in sentence
        assert (
            f"class {names[most]} gained most (+{last.change_percent[most]:.1f} points)" in sentence
        )
        assert f"{names[least]} lost most (−{-last.change_percent[least]:.1f} points)" in sentence
