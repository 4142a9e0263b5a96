"""Names that look like something else: nothing takes a level, a group or a sentence apart."""

from dataclasses import replace

import numpy as np
import pytest

from psdstats.comparison.plan import ComparisonPlan
from psdstats.errors import ModelError, OutputError
from psdstats.findings import Contrast, ContrastKind
from psdstats.models import contrasts
from psdstats.models.contrasts import Adjustment
from psdstats.output.pages.comparison import comparison_page, effects_table
from psdstats.words import comparison as words
from psdstats.words.numbers import Numerals

DRY = ("dry at 20 C", "dry at 40 C")


def _jars(planted, **options):
    """Two jars whose names hold " at ", three times, three runs each; jars differ by 20 %."""
    rows = [
        {"milling_time_min": time, "jar": jar}
        for time in (0.0, 6.0, 24.0)
        for jar in DRY
        for _ in range(3)
    ]
    noise = 0.01 * np.tile([-1.0, 0.0, 1.0], 6)
    size = [5.0 - 0.01 * row["milling_time_min"] + 0.2 * (row["jar"] == DRY[1]) for row in rows]
    return planted(rows, np.array(size) + noise, **options)


def test_levels_compared_keep_their_names(planted):
    found = _jars(planted, by="jar", also=["milling_time_min"])
    row, *_ = found["D50"].to_frame().to_dict("records")
    assert (row["high"], row["low"], row["where"]) == (DRY[1], DRY[0], "")
    verdict, _ = words.headlines(found)
    assert verdict.startswith(
        "D50 at jar dry at 40 C is 22.1 % higher than that at jar dry at 20 C ("
    )
    assert comparison_page(found).sentences[0] == verdict


def test_levels_within_which_is_compared_keep_their_names(planted):
    found = _jars(planted, at_each="jar")
    rows = found["D50"].to_frame("successive")
    assert list(rows["where"]) == [DRY[0], DRY[0], DRY[1], DRY[1]]
    assert list(rows["high"]) == ["6", "24", "6", "24"]
    table = effects_table(found, "successive").frame
    assert list(table["jar"]) == list(rows["where"])
    assert list(table["contrast"]) == ["6 vs 0", "24 vs 6", "6 vs 0", "24 vs 6"]
    said = words.headlines(found)
    fallen = next(one for one in said if one.startswith("By 24 min D50 fell from "))
    assert all(f" at jar {jar}, by " in fallen for jar in DRY)
    assert any(one.startswith("At both levels of jar, D50 was still falling") for one in said)
    drawn = [one.alternative for one in comparison_page(found).drawings]
    assert any(f"D50, {DRY[0]}: 6 min " in one for one in drawn)


def _groups(planted, names, **options):
    rows = [{"group": name} for name in names for _ in range(3)]
    noise = 0.01 * np.tile([-1.0, 0.0, 1.0], len(names))
    size = np.repeat(5.0 + 0.1 * np.arange(len(names)), 3)
    return planted(rows, size + noise, by="group", **options)


def test_a_comma_changes_numbers_and_no_name(planted):
    found = _groups(planted, ("Mill 2.5", "Mill 3.5"))
    comma = Numerals(",")
    verdict, _ = words.headlines(found, comma)
    assert verdict.startswith(
        "D50 of group Mill 3.5 is 10,5 % higher than that of group Mill 2.5 (8,0 to 13,1 %)"
    )
    assert "." not in verdict.replace("Mill 2.5", "").replace("Mill 3.5", "")[:-1]
    page = comparison_page(found, comma)
    assert "Mill 3.5 vs Mill 2.5: 1,105 (" in page.drawings[0].alternative
    table = page.first[0]
    cells = [column.text(table.rows()[0], comma) for column in table.columns]
    assert "Mill 3.5 vs Mill 2.5" in cells


def test_times_are_numbers_and_take_the_comma(planted):
    rows = [{"milling_time_min": time} for time in (0.0, 2.5) for _ in range(3)]
    noise = 0.01 * np.tile([-1.0, 0.0, 1.0], 2)
    found = planted(rows, np.repeat([5.0, 4.8], 3) + noise)
    fallen, *_ = words.headlines(found, Numerals(","))
    assert fallen.startswith("By 2,5 min D50 fell from 148,4 to 121,51 µm, by 18 % (at least ")


@pytest.mark.parametrize(
    "name", ["odd: changed, ", "cannot be told, because", " - ", "a at b at c"]
)
def test_names_that_look_like_verdicts(planted, name):
    found = _groups(planted, (name, "zinnia"), within=[])
    sentence = words.finding_sentence(found["D50"].findings[0], found.plan)
    assert sentence.startswith(
        f"D50 of group zinnia is 10.5 % higher than that of group {name} (8.0 to 13.1 %)"
    )
    rows = [{"group": name}, {"group": "zinnia"}]
    single = planted(rows, [5.3, 5.0], 1e-4 * np.eye(2), by="group", within=[])
    sentence = words.finding_sentence(single["D50"].findings[0], single.plan)
    assert sentence.startswith(f"D50 of group zinnia is 25.9 % lower than that of group {name} (")
    assert sentence.endswith("to undo this.")
    assert single["D50"].to_frame()["low"].tolist() == [name]


def _against_rest(levels):
    """Each level against the mean of the others: a family nobody has made before."""
    count = len(levels)
    weights = (count * np.eye(count) - 1.0) / (count - 1.0)
    return weights, [
        Contrast(high=f"{level} against the others", family=ContrastKind.TREND) for level in levels
    ]


@pytest.fixture
def new_family(monkeypatch):
    entry = (_against_rest, Adjustment.MULTIVARIATE_T)
    monkeypatch.setitem(contrasts.FAMILIES, ContrastKind.TREND, entry)
    told = ("each level against all others", "level")
    monkeypatch.setitem(words.FAMILIES, ContrastKind.TREND, told)


@pytest.mark.usefixtures("new_family")
@pytest.mark.parametrize("spread", ["pooled", "each contrast"])
def test_a_new_family_is_a_maker_and_its_words(planted_study, planted_sizes, spread):
    """It is compared, told, tabled and drawn; its numbers are those of the means of the levels."""
    from psdstats.comparison import compare

    rows = [{"group": name} for name in ("Alder", "Birch", "Cedar", "Rowan") for _ in range(3)]
    size = np.repeat([5.0, 5.2, 5.2, 5.2], 3) + 0.01 * np.tile([-1.0, 0.0, 1.0], 4)
    study = planted_study(rows)
    sizes = planted_sizes(study, size, 1e-12 * np.eye(12))
    found = compare(
        study,
        "group",
        [],
        quantities=("D50",),
        families=["trend"],
        spread=spread,
        propagation=sizes,
    )
    effects = found["D50"].to_frame()
    assert np.log(effects["ratio"]).tolist() == pytest.approx([-0.2, *[0.2 / 3] * 3])
    assert effects.loc[0, "contrast"] == "Alder against the others"
    said = words.headlines(found)
    (most,) = [one for one in said if one.startswith("Of 4 levels in D50, 4 changed; ")]
    assert "the largest change: D50, Alder against the others, is 18.1 % lower (" in most
    assert not any("pair" in one for one in said)
    page = comparison_page(found)
    assert any("each level against all others" in table.caption for table in page.tables)


def test_unknown_families_are_refused_in_a_sentence(planted_study, planted_sizes):
    from psdstats.comparison import compare

    study = planted_study([{"milling_time_min": time} for time in (0.0, 6.0) for _ in range(2)])
    sizes = planted_sizes(study, [5.0, 5.01, 4.8, 4.81], 1e-12 * np.eye(4))
    for name in ("odd", "trend"):
        with pytest.raises(ModelError, match=f"No family of contrasts is called '{name}'; use one"):
            compare(study, families=[name], propagation=sizes)
    with pytest.raises(OutputError, match="The family of contrasts 'trend' has no words"):
        words.family_words("trend")


def test_the_same_remark_of_several_quantities_is_told_once(planted):
    found = _groups(planted, ("Alder", "Birch"))
    (one,) = found.results
    several = replace(found, results=(one, replace(one, quantity="D90")))
    assert [note for note in words.notes(several) if note.startswith("D50, D90: ")] == [
        f"D50, D90: {words.sentence(remark)}" for remark in dict.fromkeys(one.remarks)
    ]


def test_a_contrast_without_a_low_level_has_its_own_subject():
    subject = Contrast(high="linear trend", where="10", quantity="D50", family=ContrastKind.TREND)
    plan = ComparisonPlan(by="milling_time_min", at_each=("ball_ratio",))
    assert words.ratio_label(subject, plan) == "linear trend min, ball ratio 10"
    assert words.contrast_words(subject) == "linear trend"
