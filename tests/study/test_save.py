"""Saving: reading back gives the same study, or nothing is written."""

import dataclasses
from types import MappingProxyType

import pytest

from psdstats.errors import OutputError
from psdstats.files import MANIFEST
from psdstats.sieves import Sieve
from psdstats.study import read_study, save_study
from psdstats.study.save import weighing_table

TARGETS = {"folder": "out", "flat": "out.csv", "workbook": "out.xlsx"}


@pytest.fixture
def rich(write_folder, catalogue):
    """A study that uses every field."""
    settings = catalogue.SOUND["study.toml"].replace(
        "[compare]",
        'material = "calcite, 5 % moist"\nauthor = "B. Miller"\ndate = "1 May 2026"\n'
        'density_g_per_cm3 = 2.71\nrule = "linear"\n'
        'notes = ["kept = from before"]\n'
        '[balances."old, coarse.1"]\nresolution_g = 0.1\ncapacity_g = 2000\n'
        "[uncertainty]\nrounding = false\nrun_to_run_percent = 1.5\n"
        "[checks]\noverload = false\n[checks.mass_balance]\npercent = 3\n"
        '[compare]\nwithin = ["group", ["group", "milling_time_min"]]\nmargin_percent = 5',
    )
    head, _, tail = settings.partition("[balances.fine]")
    body, _, rest = tail.partition("material")
    settings = head + "material" + rest.partition("[balances.")[0] + "[balances.fine]" + body
    settings += "[balances." + rest.partition("[balances.")[2]
    runs = catalogue.SOUND["runs.csv"].replace("ball_ratio", "balance,operator,=sum(a)")
    runs = runs.replace("50.00,5", "50.00,fine,=1+1,-3").replace(
        "50.00,10", '50.00,"old, coarse.1","@x, ""y""",2.5'
    )
    header, *rows = catalogue.SOUND["weighings.csv"].strip().split("\n")
    weighings = header + ",gross_again_g,remark\n" + "".join(f"{row},,\n" for row in rows)
    weighings = weighings.replace("403.00,,", '403.00,402.98,"+look, again"')
    return read_study(
        write_folder(
            {"study.toml": settings, "runs.csv": runs, "weighings.csv": weighings}, name="rich"
        )
    )


@pytest.mark.parametrize("form", TARGETS)
def test_round_trip(rich, sound, tmp_path, form):
    for number, study in enumerate((rich, sound)):
        (tmp_path / str(number)).mkdir()
        target = tmp_path / str(number) / TARGETS[form]
        save_study(study, target, form=form)
        assert read_study(target) == study
    assert rich.runs[2].factors == {"operator": '@x, "y"', "=sum(a)": 2.5}


@pytest.mark.parametrize("form", ["folder", "workbook"])
def test_columns_may_be_named_like_fields_of_records(write_folder, catalogue, tmp_path, form):
    """What only the records have, such as the place of a row, is never written for it."""
    head, first, *others = catalogue.SOUND["weighings.csv"].splitlines()
    rows = [f"{head},further,place", f"{first},seen,shelf", *(f"{row},," for row in others)]
    runs = catalogue.SOUND["runs.csv"].replace("ball_ratio", "place").replace("50.00,5", "50.00,")
    sieves = catalogue.SOUND["sieves.csv"].replace("standard\n", "standard,key\n")
    sieves = sieves.replace("ISO 3310-1\n", "ISO 3310-1,left\n").replace("E11\n", "E11,\n")
    files = {"runs.csv": runs, "weighings.csv": "\n".join(rows), "sieves.csv": sieves}
    study = read_study(write_folder(files))
    assert [run.factors for run in study.runs] == [{}, {}, {"place": 10.0}]
    assert study.sieves["A 90"].further == {"key": "left"}
    assert read_study(save_study(study, tmp_path / TARGETS[form], form=form)) == study


@pytest.fixture
def stated(sound):
    """A study that states all that can be known of balances, sieves, splits and losses."""
    (bench,) = sound.balances.values()
    balance = dataclasses.replace(
        bench, repeatability_weighings=10, linearity_g=0.0, drift_g=0.02, accuracy_class="II",
        verification_interval_g=0.1, certificate="W 31 of 2026-02-03",
    )  # fmt: skip
    known = {
        "A 90": {
            "certificate": "0017", "certificate_correlation": 0.4, "degrees_of_freedom": 12.5,
            "effective_um": 91.7, "effective_u_um": 0.31, "reference": "12",
            "reference_correlation": 1.0,
        },
        "A 45": {"effective_um": 45.5, "effective_u_um": 0.2},
    }  # fmt: skip
    sieves = {
        key: dataclasses.replace(one, **known.get(key, {})) for key, one in sound.sieves.items()
    }
    runs = [dataclasses.replace(run, split="1") for run in sound.runs]
    again = [dataclasses.replace(one, gross_again_g=one.gross_g) for one in runs[0].readings]
    runs[0] = dataclasses.replace(runs[0], readings=tuple(again))
    uncertainty = {
        "lost_powder": "in proportion", "splitting": True, "splitting_percent": 1.5,
        "splitting_method": "chute riffle", "end_point": False,
    }  # fmt: skip
    return dataclasses.replace(
        sound, runs=tuple(runs), sieves=sieves, balances={balance.name: balance},
        uncertainty=uncertainty,
    )  # fmt: skip


@pytest.mark.parametrize("form", TARGETS)
def test_what_is_stated_of_errors_comes_back(stated, tmp_path, form):
    again = read_study(save_study(stated, tmp_path / TARGETS[form], form=form))
    assert again == stated
    assert type(next(iter(again.balances.values())).repeatability_weighings) is int


def test_columns_that_no_sieve_needs_are_left_out(sound, stated, tmp_path):
    for study, more in ((sound, ""), (stated, ",certificate,certificate_correlation,effective_um")):
        text = (save_study(study, tmp_path / str(bool(more))) / "sieves.csv").read_text("utf-8")
        header = text.splitlines()[0]
        usual = "sieve,nominal_um,certified_um,expanded_uncertainty_um,coverage_factor,standard"
        assert header.startswith(usual + more)
        assert (header == usual) is not bool(more)


def test_through_all_forms_and_back(rich, tmp_path):
    study = rich
    for form in ("workbook", "flat", "folder", "flat", "workbook", "folder"):
        target = tmp_path / f"step-{TARGETS[form]}"
        study = read_study(save_study(study, target, form=form, replace=True))
    assert study == rich


def test_spreadsheet_sees_no_formula(rich, tmp_path):
    import openpyxl

    save_study(rich, tmp_path / "f")
    text = (tmp_path / "f" / "runs.csv").read_text(encoding="utf-8")
    assert "'=1+1" in text
    assert "'=sum(a)" in text
    assert not any(
        cell.startswith(("=", "@", "+")) for line in text.splitlines() for cell in line.split(",")
    )
    save_study(rich, tmp_path / "f.xlsx", form="workbook")
    book = openpyxl.load_workbook(tmp_path / "f.xlsx")
    types = {cell.data_type for sheet in book for row in sheet for cell in row}
    assert types <= {"s", "n", "inlineStr"}


def test_existing_target_is_refused(sound, tmp_path):
    for form, name in TARGETS.items():
        target = save_study(sound, tmp_path / name, form=form)
        with pytest.raises(OutputError, match="exists already"):
            save_study(sound, target, form=form)
        assert save_study(sound, target, form=form, replace=True) == target
    assert (tmp_path / "out" / MANIFEST).is_file()


def test_only_own_files_are_replaced(sound, tmp_path):
    target = save_study(sound, tmp_path / "out")
    (target / "notes.txt").write_text("mine", encoding="utf-8")
    save_study(sound, target, replace=True)
    assert (target / "notes.txt").read_text(encoding="utf-8") == "mine"
    (target / "runs.csv").write_text("edited", encoding="utf-8")
    with pytest.raises(OutputError, match=r"runs\.csv was changed after psdstats wrote it"):
        save_study(sound, target, replace=True)
    assert (target / "runs.csv").read_text(encoding="utf-8") == "edited"


def test_a_loss_is_refused(sound, tmp_path):
    run = sound.runs[0]
    for factors in ({"operator": "x ", "day": "a"}, {"tare_g": 5.0}):
        odd = dataclasses.replace(run, factors=MappingProxyType(factors))
        study = dataclasses.replace(sound, runs=(odd, *sound.runs[1:]))
        with pytest.raises(OutputError):
            save_study(study, tmp_path / "lossy")
        assert not (tmp_path / "lossy").exists()
    for text, form in (("bell \a", "workbook"), ("x\ud800", "workbook")):
        study = dataclasses.replace(sound, title=text)
        with pytest.raises(OutputError, match="cannot hold the text"):
            save_study(study, tmp_path / "lossy.xlsx", form=form)
    assert list(tmp_path.glob(".*")) == []


def test_wrong_form_and_ending(sound, tmp_path):
    with pytest.raises(OutputError, match="Use one of folder, flat, workbook"):
        save_study(sound, tmp_path / "x", form="pile")
    with pytest.raises(OutputError, match=r"x.csv should end in .xlsx"):
        save_study(sound, tmp_path / "x.csv", form="workbook")


def test_readings_keep_their_decimals_and_order(sound, tmp_path):
    save_study(sound, tmp_path / "out")
    lines = (tmp_path / "out" / "weighings.csv").read_text(encoding="utf-8").splitlines()
    assert lines[1] == "a-0,A 180,180,400.00,403.00"
    names, rows = weighing_table(sound)
    assert [row[2] for row in rows[:4]] == [180.0, 90.0, 45.0, 0.0]
    assert names[0] == "run"


def test_spare_sieves_are_kept(sound, tmp_path):
    spare = Sieve(key="spare", nominal_um=63.0, certified_um=62.5)
    study = dataclasses.replace(sound, sieves=MappingProxyType({**sound.sieves, "spare": spare}))
    for form, name in TARGETS.items():
        assert read_study(save_study(study, tmp_path / name, form=form)) == study


TYPED = """# of the spring trial
title = "trial"  # as on the label
shape_factor = 0.50

[balances.fine]
# from the certificate of this year
resolution_g = 1e-2   # not 0.1
repeatability_g = 0.01

[checks]
# nothing is switched off yet

[compare]
also = ["ball_ratio"]  # both ratios were run
"""


@pytest.fixture
def commented(write_folder):
    return read_study(write_folder({"study.toml": TYPED}, name="commented"))


@pytest.mark.parametrize("form", ["folder", "flat"])
def test_comments_of_the_settings_survive(commented, tmp_path, form):
    """Only what the study says otherwise changes: here nothing, and no default joins it."""
    first = save_study(commented, tmp_path / TARGETS[form], form=form)
    again = read_study(first)
    text = (save_study(again, tmp_path / "again") / "study.toml").read_text(encoding="utf-8")
    kept = [line for line in TYPED.splitlines() if line]
    assert [line for line in text.splitlines() if line in kept] == kept
    assert [line for line in text.splitlines() if line and line not in kept] == []
    assert again == commented


def test_a_changed_setting_is_rewritten_beside_its_comment(commented, tmp_path):
    changed = dataclasses.replace(
        commented, title="autumn trial", compare={"also": ["ball_ratio"], "by": "ball_ratio"}
    )
    folder = save_study(changed, tmp_path / "out")
    text = (folder / "study.toml").read_text(encoding="utf-8")
    assert 'title = "autumn trial"  # as on the label\n' in text
    assert 'also = ["ball_ratio"]  # both ratios were run\nby = "ball_ratio"\n' in text
    assert read_study(folder) == changed


def test_a_default_that_was_typed_or_is_none_any_more_is_written(write_folder, tmp_path):
    typed = 'title = "trial"\ntares = "each run"\n[balances.fine]\nresolution_g = 0.01\n'
    typed += "drift_g = 0.0  # looked at\n"
    study = read_study(write_folder({"study.toml": typed}, name="typed"))
    fine = dataclasses.replace(study.balances["fine"], slope_u=2e-6)
    balances = {"fine": fine, "new": dataclasses.replace(fine, name="new", slope_u=0.0)}
    folder = save_study(dataclasses.replace(study, balances=balances), tmp_path / "out")
    text = (folder / "study.toml").read_text(encoding="utf-8")
    assert text.startswith(typed + "slope_u = 2e-06\n")
    new = "repeatability_g = 0.0\nslope_u = 0.0\ndrift_g = 0.0\n"
    assert text.endswith(f"[balances.new]\nresolution_g = 0.01\n{new}")
    assert "shape_factor" not in text


def test_a_setting_that_is_gone_is_taken_out(commented, tmp_path):
    bare = dataclasses.replace(commented, compare={})
    folder = save_study(bare, tmp_path / "out")
    text = (folder / "study.toml").read_text(encoding="utf-8")
    assert "[compare]" not in text
    assert "# of the spring trial" in text
    assert read_study(folder) == bare


def test_a_workbook_has_the_same_bytes_whenever_it_is_written(rich, tmp_path, monkeypatch):
    import datetime

    import openpyxl.writer.excel as writer

    class Later(datetime.datetime):
        @classmethod
        def now(cls, tz=None):
            return super().now(tz) + datetime.timedelta(days=400)

    first = save_study(rich, tmp_path / "a.xlsx", form="workbook").read_bytes()
    monkeypatch.setattr(writer.datetime, "datetime", Later)
    assert save_study(rich, tmp_path / "b.xlsx", form="workbook").read_bytes() == first
