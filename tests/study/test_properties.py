"""Properties of reading and saving that hold for every study, tried on random ones."""

import dataclasses
import string
from types import MappingProxyType

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from psdstats.errors import OutputError
from psdstats.sieves import Sieve
from psdstats.study import Balance, Reading, Run, Study, TareHandling, read_study, save_study
from psdstats.study.aside import further_columns
from psdstats.study.cells import (
    CellComment,
    decimals_written,
    guarded,
    number_text,
    to_number,
    unguarded,
)
from psdstats.study.runs import AsideReading, AsideRun, Place
from psdstats.study.save import (
    MASS_COLUMNS,
    all_runs,
    flat_table,
    settings_of,
    toml_text,
)
from psdstats.study.sheets import comments_in

QUIET = settings(
    max_examples=40,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
NAMES = (
    st.text(
        alphabet=string.ascii_letters + string.digits + " äµé\"';,=+-@#.[]()&<>\n|",
        min_size=1,
        max_size=12,
    )
    .map(str.strip)
    .filter(lambda text: text and not text.startswith("'") and text.lower() != "pan")
)
MASSES = st.integers(20_000, 40_000).map(lambda steps: round(steps * 0.01, 2))
NETS = st.integers(0, 3_000)
APERTURES = st.sampled_from([45.0, 63.0, 90.0, 125.0, 180.0, 250.0, 37.5, 5600.0])


@st.composite
def studies(draw):
    """A study as reading would give it: sound, with every optional thing present or not."""
    names = draw(st.lists(NAMES, min_size=1, max_size=4, unique=True))
    apertures = draw(st.lists(APERTURES, min_size=1, max_size=4, unique=True))
    keys = draw(st.lists(NAMES, min_size=len(apertures) + 1, max_size=len(apertures) + 1,
                         unique=True))  # fmt: skip
    sizes = [0.0, *sorted(apertures)]
    number = draw(st.sampled_from(["ball_ratio", "Höhe", "=x"]))
    text = draw(st.sampled_from(["operator", "site;2", 'a "b"']))
    row, runs = 2, []
    again = draw(st.booleans())
    for name in names:
        readings = []
        for key, size in zip(keys, sizes, strict=True):
            tare = draw(MASSES)
            gross = round(tare + 0.01 * draw(NETS) + (0.01 if size == 0 else 0.0), 2)
            readings.append(
                Reading(sieve=key, aperture_um=size, tare_g=tare, gross_g=gross,
                        gross_again_g=gross if again else None, place=Place("w", row),
                        remark=draw(st.sampled_from(["", "=look", "worn, torn"])))
            )  # fmt: skip
            row += 1
        factors = {number: draw(st.floats(-1e6, 1e6)), text: draw(NAMES.filter(_is_word))}
        runs.append(
            Run(name=name, group=draw(NAMES), milling_time_min=draw(st.floats(0, 1e4)),
                readings=tuple(readings), balance="b", factors=MappingProxyType(factors),
                replicate=draw(st.none() | NAMES), noted=draw(NOTES),
                sample_mass_g=draw(st.none() | st.floats(0.01, 1e3)),
                place=Place("r", 2 + len(runs)))
        )  # fmt: skip
    sieves = {key: Sieve(key=key, nominal_um=size) for key, size in zip(keys, sizes, strict=True)
              if size}  # fmt: skip
    balance = Balance(name="b", resolution_g=0.01, repeatability_g=draw(st.floats(1e-6, 0.1)))
    return Study(
        title=draw(NAMES), runs=tuple(runs), sieves=MappingProxyType(sieves),
        balances=MappingProxyType({"b": balance}), material=draw(NAMES | st.just("")),
        author=draw(NAMES | st.just("")), date=draw(NAMES | st.just("")),
        density_g_per_cm3=draw(st.none() | st.floats(0.1, 20)),
        tares=TareHandling.EACH_RUN,
    )  # fmt: skip


NOTES = st.fixed_dictionaries(
    {},
    optional={
        "run_remark": NAMES, "weighed_on": st.dates().map(str), "weighed_by": NAMES,
        "run_order": st.integers(1, 99).map(str),
    },
)  # fmt: skip
LINES = st.text(alphabet="ab 0é\"'#=,;\t[]{}|", max_size=9)


def put_aside(draw, run):
    """The same run as one that is planned, abandoned or weighed in part, with what is known."""
    status = draw(st.sampled_from(["", "planned", "abandoned"]))
    readings = [
        AsideReading(
            sieve=one.sieve, aperture_um=one.aperture_um, place=one.place, remark=one.remark,
            **{name: draw(st.sampled_from([None, getattr(one, name)])) for name in MASS_COLUMNS},
        )
        for one in run.readings
    ]  # fmt: skip
    kept = draw(st.integers(0, len(readings))) if draw(st.booleans()) else len(readings)
    if not status and readings[:kept]:
        readings[0] = dataclasses.replace(readings[0], tare_g=None)
    noted = {**run.noted, **({"status": status} if status else {})}
    fields = vars(run) | {"noted": noted, "readings": tuple(readings[:kept])}
    return AsideRun(**fields | {"balance": draw(st.sampled_from([None, "b", "c"]))})


@st.composite
def commented(draw, with_further=False):
    """A study with runs put aside, comments on cells, and comments among its settings."""
    study = draw(studies())
    kept, aside = [], []
    for run in study.runs:
        (aside if draw(st.booleans()) else kept).append(run)
    aside = [put_aside(draw, run) for run in aside]
    if with_further and kept:
        first, *rest = kept[0].readings
        first = dataclasses.replace(first, further={"room, °C": draw(NAMES), "=x": "2.50"})
        kept[0] = dataclasses.replace(kept[0], readings=(first, *rest))
    study = dataclasses.replace(
        study, runs=kept, aside=aside,
        comments=draw(st.lists(cell_comments(study), max_size=4, unique=True)),
    )  # fmt: skip
    settings = settings_of(study, with_sieves=draw(st.booleans()), with_comments=False)
    lines = toml_text(settings).splitlines()
    for at in draw(st.lists(st.integers(0, len(lines) - 1), max_size=4)):
        said = f"#{draw(LINES)}"
        lines[at] = draw(st.sampled_from([f"{lines[at]} {said}", f"{said}\n{lines[at]}"]))
    return dataclasses.replace(study, settings_text="\n".join(lines) + "\n")


@st.composite
def cell_comments(draw, study):
    """A comment on some cell of a study, one there is or one there is not."""
    run = draw(st.sampled_from(study.runs))
    one = draw(st.sampled_from(run.readings))
    place = draw(st.sampled_from([
        {"table": "runs", "row": run.name, "column": "milling_time_min"},
        {"table": "runs", "column": "group"},
        {"table": "runs", "row": run.name, "column": "loss_g"},
        {"table": "weighings", "row": run.name, "sieve": one.sieve, "column": "gross_g"},
        {"table": "study", "row": "shape_factor", "column": "value"},
        {"table": "sieves", "row": next(iter(study.sieves)), "column": "nominal_um"},
        {"table": "guide", "column": "B7"},
    ]))  # fmt: skip
    return CellComment(**place, text=draw(NAMES), author=draw(st.just("") | NAMES))


def _is_word(text):
    return to_number(text) is None


FORMS = {"folder": "s", "flat": "s.csv", "workbook": "s.xlsx"}


@settings(QUIET, max_examples=20)
@given(study=commented(), forms=st.lists(st.sampled_from(list(FORMS)), min_size=1, max_size=3))
def test_round_trip(study, forms, tmp_path_factory):
    """Through any chain of forms: equal runs of all kinds, equal comments of both kinds."""
    place, again = tmp_path_factory.mktemp("trip"), study
    for number, form in enumerate(forms):
        target = save_study(again, place / f"{number}{FORMS[form]}", form=form)
        again = read_study(target, to_carry=True)
    assert again == study
    assert [run.name for run in all_runs(again)] == [run.name for run in all_runs(study)]
    assert comments_in(again.settings_text) == comments_in(study.settings_text)


@settings(QUIET, max_examples=10)
@given(study=commented(with_further=True), form=st.sampled_from(["folder", "workbook"]))
def test_unknown_columns_are_carried_or_given_up_by_name(study, form, tmp_path_factory):
    place = tmp_path_factory.mktemp("further")
    again = read_study(save_study(study, place / FORMS[form], form=form), to_carry=True)
    assert again == study
    if further_columns(study.runs):
        with pytest.raises(OutputError, match=r"cannot hold 2 of the things found: room, °C \("):
            save_study(again, place / "t.csv", form="flat")
    names = further_columns(study.runs)
    less = save_study(again, place / "t.csv", form="flat", give_up=names)
    assert further_columns(read_study(less, to_carry=True).runs) == []


def write_flat(path, names, rows):
    lines = [",".join(guarded(name) for name in names)]
    lines += [",".join("" if cell is None else str(cell) for cell in row) for row in rows]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


FLAT_NAMES = ["run", "group", "milling_time_min", "sieve", "aperture_um", "tare_g", "gross_g"]


def flat_rows(loads):
    rows = []
    for number, nets in enumerate(loads):
        for index, net in enumerate(nets):
            size = (250, 125, 63, 0)[index]
            tare = 300 + 10 * index
            rows.append([f"r{number}", "A", 6 * number, f"s{size}", size, f"{tare:.2f}",
                         f"{tare + 0.01 * net + 0.01:.2f}"])  # fmt: skip
    return rows


LOADS = st.lists(st.lists(NETS, min_size=4, max_size=4), min_size=2, max_size=4)


def unordered(study):
    return {run.name: (run.group, run.milling_time_min, run.readings) for run in study.runs}


@QUIET
@given(loads=LOADS, data=st.data())
def test_order_of_rows_and_columns_does_not_matter(loads, data, tmp_path_factory):
    folder = tmp_path_factory.mktemp("order")
    rows = flat_rows(loads)
    plain = read_study(write_flat(folder / "plain.csv", FLAT_NAMES, rows))
    columns = data.draw(st.permutations(range(len(FLAT_NAMES))))
    shuffled = [[row[column] for column in columns] for row in data.draw(st.permutations(rows))]
    names = [FLAT_NAMES[column] for column in columns]
    other = read_study(write_flat(folder / "other.csv", names, shuffled))
    assert unordered(other) == unordered(plain)


@QUIET
@given(loads=LOADS)
def test_mm_and_um_say_the_same(loads, tmp_path_factory):
    folder = tmp_path_factory.mktemp("unit")
    rows = flat_rows(loads)
    in_um = read_study(write_flat(folder / "s.csv", FLAT_NAMES, rows))
    names = [name.replace("_um", "_mm") for name in FLAT_NAMES]
    (folder / "mm").mkdir()
    scaled = [[*row[:4], row[4] / 1000, *row[5:]] for row in rows]
    assert read_study(write_flat(folder / "mm" / "s.csv", names, scaled)) == in_um


@QUIET
@given(loads=LOADS, share=st.floats(0.1, 0.9))
def test_splitting_a_class_in_two_keeps_the_rest(loads, share, tmp_path_factory):
    """One more sieve between two others: totals and all coarser and finer masses stay."""
    folder = tmp_path_factory.mktemp("split")
    rows = flat_rows(loads)
    whole = read_study(write_flat(folder / "whole.csv", FLAT_NAMES, rows))
    split = []
    for row in rows:
        if row[4] == 125:
            net = round(float(row[6]) - float(row[5]), 2)
            upper = round(net * share, 2)
            split.append([*row[:3], "s180", 180, "250.00", f"{250 + upper:.2f}"])
            row = [*row[:6], f"{float(row[5]) + net - upper:.2f}"]
        split.append(row)
    other = read_study(write_flat(folder / "split.csv", FLAT_NAMES, split))
    for before, after in zip(whole.runs, other.runs, strict=True):
        assert after.total_g == pytest.approx(before.total_g, abs=1e-9)
        nets = {reading.aperture_um: reading.net_g for reading in after.readings}
        for reading in before.readings:
            found = nets[reading.aperture_um] + (nets[180.0] if reading.aperture_um == 125 else 0)
            assert found == pytest.approx(reading.net_g, abs=1e-9)


@given(value=st.floats(allow_nan=False, allow_infinity=False), decimals=st.integers(0, 7))
def test_numbers_read_back_exactly(value, decimals):
    text = number_text(value, decimals=decimals)
    if abs(value) < 1e40:
        assert float(to_number(text)) == value


@given(steps=st.integers(0, 10**8), decimals=st.integers(0, 7))
def test_decimals_written(steps, decimals):
    text = f"{steps / 10**decimals:.{decimals}f}"
    assert decimals_written(to_number(text)) == decimals


@given(text=st.text())
def test_numbers_are_floats_or_nothing(text):
    value = to_number(text)
    if value is not None:
        assert float(value) == float(text.strip().replace(",", "."))


@given(text=NAMES)
def test_guard_is_undone(text):
    assert unguarded(guarded(text)) == text
    assert not guarded(text).startswith("=")


def test_flat_table_has_one_row_a_reading(sound):
    names, rows = flat_table(sound)
    assert len(rows) == sum(len(run.readings) for run in sound.runs)
    assert all(len(row) == len(names) for row in rows)


def test_equality_sees_every_field(sound):
    run = sound.runs[0]
    for change in (
        {"group": "x"},
        {"milling_time_min": 1.0},
        {"replicate": None},
        {"sample_mass_g": None},
        {"factors": {}},
        {"readings": run.readings[1:]},
    ):
        other = dataclasses.replace(run, **change)
        assert dataclasses.replace(sound, runs=(other, *sound.runs[1:])) != sound
