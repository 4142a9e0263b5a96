"""Reading: the same study comes out whatever the form, the separator and the units."""

import pickle

import pytest

from psdstats.study import TareHandling, read_study
from psdstats.study.aside import every_note

FLAT = """run,milling_time_min,aperture_um,tare_g,gross_g
a,0,90,400.10,405.20
a,0,45,390.00,399.95
a,0,0,300.00,302.00
b,6,90,400.10,402.20
b,6,45,390.00,399.95
b,6,0,300.00,305.00
"""


def write(path, text, encoding="utf-8"):
    path.write_bytes(text.encode(encoding))
    return path


@pytest.fixture
def flat(tmp_path):
    return read_study(write(tmp_path / "flat.csv", FLAT))


def test_smallest_thing_that_works(flat):
    assert [run.name for run in flat.runs] == ["a", "b"]
    assert [run.milling_time_min for run in flat.runs] == [0.0, 6.0]
    first = flat.runs[0]
    assert [reading.aperture_um for reading in first.readings] == [0.0, 45.0, 90.0]
    assert first.readings[2].net_g == pytest.approx(5.1)
    assert first.readings[2].place.row == 2
    assert set(flat.sieves) == {"all 45 µm", "all 90 µm"}
    assert flat.balances["balance"].resolution_g == 0.01
    assert flat.title == "flat"


def test_assumptions_are_stated(flat):
    assert flat.notes == (
        "The weighings name no sieves: each group is taken to use one physical stack for all its "
        "runs.",
        "Balance 'balance' is not described: its resolution is taken as 0.01 g, the finest step of "
        "the readings.",
    )


def as_comma_decimal(text):
    return "\n".join(line.replace(",", ";").replace(".", ",") for line in text.split("\n"))


@pytest.mark.parametrize(
    ("change", "encoding"),
    [
        (as_comma_decimal, "utf-8"),
        (lambda text: text.replace(",", "\t"), "utf-8"),
        (lambda text: text.replace("\n", "\r\n"), "utf-8"),
        (lambda text: text.replace("\n", "\r"), "utf-8"),
        (lambda text: text, "utf-8-sig"),
        (lambda text: text + "\n,,,,\n\n", "utf-8"),
        (lambda text: text.replace("\n", ",,\n"), "utf-8"),
        (
            lambda text: (
                text.replace("aperture_um", "aperture_mm")
                .replace(",90,", ",0.09,")
                .replace(",45,", ",0.045,")
            ),
            "utf-8",
        ),
        (lambda text: text.replace("run,milling_time_min", "Run,Milling Time min"), "utf-8"),
        (lambda text: text.replace(",0,300", ",pan,300"), "utf-8"),
        (lambda text: text.replace("a,0,45", " a , 0,45"), "utf-8"),
        (lambda text: text.replace("a,0,45", "a,,45"), "utf-8"),
        (lambda text: "\n" + text, "utf-8"),
    ],
)
def test_writing_habits_do_not_matter(flat, tmp_path, change, encoding):
    (tmp_path / "other").mkdir()
    path = write(tmp_path / "other" / "flat.csv", change(FLAT), encoding)
    assert read_study(path) == flat


def test_encoding_is_stated(tmp_path, flat):
    text = FLAT.replace("a,0", "Mühle,0")
    path = write(tmp_path / "flat2.csv", text, "cp1252")
    assert read_study(path, encoding="cp1252").runs[0].name == "Mühle"
    path = write(tmp_path / "flat3.csv", text, "utf-16")
    assert read_study(path, encoding="utf-16").runs[0].name == "Mühle"


def test_mm_apertures_are_exact(tmp_path):
    sizes = [20, 25, 32, 36, 38, 45, 53, 63, 71, 75, 106, 125, 355, 710, 1180, 5600]
    rows = "".join(f"a,0,{size / 1000:.3f},400.0,401.0\n" for size in sizes)
    text = "run,milling_time_min,aperture_mm,tare_g,gross_g\n" + rows + "a,0,0,300.0,301.0\n"
    study = read_study(write(tmp_path / "mm.csv", text))
    assert [reading.aperture_um for reading in study.runs[0].readings[1:]] == sizes


def test_factors_are_kept(tmp_path):
    header, *rows = FLAT.strip().split("\n")
    text = header + ",ball_ratio,operator,note_to_self\n" + "".join(f"{r},5,A 1,\n" for r in rows)
    study = read_study(write(tmp_path / "factors.csv", text))
    assert dict(study.runs[0].factors) == {"ball_ratio": 5.0, "operator": "A 1"}
    assert list(study.runs_frame()["ball_ratio"]) == [5.0, 5.0]


def test_factor_is_number_only_if_every_value_is(write_folder, catalogue):
    text = catalogue.SOUND["runs.csv"].replace("50.00,10", "50.00,ten")
    study = read_study(write_folder({"runs.csv": text}))
    assert [run.factors["ball_ratio"] for run in study.runs] == ["5", "5", "ten"]


def test_empty_factor_is_absent(write_folder, catalogue):
    text = catalogue.SOUND["runs.csv"].replace("50.00,10", "50.00,")
    study = read_study(write_folder({"runs.csv": text}))
    assert [run.factors.get("ball_ratio") for run in study.runs] == [5.0, 5.0, None]


def test_folder(sound):
    assert sound.title == "Invented trial"
    assert sound.sieves["A 90"].certified_um == 90.8
    assert sound.sieves["A 45"].standard == "ASTM E11"
    assert sound.sieves["B 180"].nominal_um == 180.0
    assert "A pan" not in sound.sieves
    assert {run.balance for run in sound.runs} == {"fine"}
    assert [file.name for file in sound.files] == [
        "study.toml",
        "runs.csv",
        "weighings.csv",
        "sieves.csv",
    ]
    assert sound.compare == {"by": "milling_time_min"}


def test_file_digests(write_folder):
    import hashlib

    folder = write_folder()
    study = read_study(folder)
    for file in study.files:
        assert file.sha256 == hashlib.sha256((folder / file.name).read_bytes()).hexdigest()


def test_tares_weighed_once_are_repeated(write_folder, catalogue):
    text = catalogue.SOUND["weighings.csv"]
    for row in ("a-6,A 180,180,400.01", "a-6,A 90,90,380.00", "a-6,A 45,45,360.00"):
        text = text.replace(row, row.rpartition(",")[0] + ",")
    settings = catalogue.SOUND["study.toml"].replace("each run", "once")
    study = read_study(write_folder({"weighings.csv": text, "study.toml": settings}))
    assert study.tares is TareHandling.ONCE
    assert [reading.tare_g for reading in study.runs[1].readings] == [300.0, 360.0, 380.0, 400.0]


def test_runs_not_weighed_yet_are_left_out(write_folder, catalogue):
    text = catalogue.SOUND["weighings.csv"]
    for gross in ("413.00", "410.00", "393.00", "313.90"):
        text = (
            text.replace(f",{gross}\n", ",\n")
            if gross != "410.00"
            else text.replace("390.00,410.00", "390.00,")
        )
    study = read_study(write_folder({"weighings.csv": text}))
    assert [run.name for run in study.runs] == ["a-0", "a-6"]
    assert "Not weighed yet and left out: b-0." in every_note(study)


def test_light_net_within_noise_is_read(write_folder, catalogue):
    text = catalogue.SOUND["weighings.csv"].replace("400.01,401.00", "400.01,400.00")
    study = read_study(write_folder({"weighings.csv": text}))
    assert study.runs[1].readings[-1].net_g == pytest.approx(-0.01)


def test_resolution_is_inferred_for_each_balance(write_folder, catalogue):
    runs = catalogue.SOUND["runs.csv"].replace("ball_ratio", "balance")
    weighings = catalogue.SOUND["weighings.csv"].replace("410.00,413.00", "410.0000,413.0")
    settings = 'title = "Invented trial"\n'
    study = read_study(
        write_folder({"runs.csv": runs, "weighings.csv": weighings, "study.toml": settings})
    )
    assert {name: each.resolution_g for name, each in study.balances.items()} == {
        "5": 0.01,
        "10": 0.0001,
    }


def test_missing_settings_file_is_no_problem(write_folder):
    assert read_study(write_folder({"study.toml": None})).title == "trial"


def test_studies_travel_to_worker_processes(sound):
    assert pickle.loads(pickle.dumps(sound)) == sound


def test_settings_above_a_flat_table(tmp_path, flat):
    text = '# title = "Trial, of spring"\n# [uncertainty]\n# coverage = 0.9\n' + FLAT
    study = read_study(write(tmp_path / "flat.csv", text))
    assert (study.title, study.uncertainty["coverage"]) == ("Trial, of spring", 0.9)
    assert study.runs == flat.runs
    assert study.runs[0].readings[0].place.row == 7
    resaved = '"# title = ""Trial, of spring""",,,,\n# [uncertainty],,,,\n# coverage = 0.9,,,,\n'
    assert read_study(write(tmp_path / "flat.csv", resaved + FLAT)) == study


def test_end_point_and_remarks(write_folder, catalogue):
    header, *rows = catalogue.SOUND["weighings.csv"].strip().split("\n")
    text = header + ",gross_again_g,remark\n" + "".join(f"{row},,\n" for row in rows)
    text = text.replace("403.00,,", "403.00,402.98,mesh looks worn")
    study = read_study(write_folder({"weighings.csv": text}))
    coarse = study.runs[0].readings[-1]
    assert (coarse.gross_again_g, coarse.remark) == (402.98, "mesh looks worn")


def test_tables_beside_those_read_are_named(write_folder):
    folder = write_folder(name="trial")
    (folder / "weighings-b.csv").write_text("run;sieve\n", encoding="utf-8")
    assert "Tables of trial not read: weighings-b.csv." in read_study(folder).notes


def test_a_retired_setting_is_left_out_and_told(write_folder, catalogue):
    """A study of an earlier release still reads, and says which line has no effect."""
    settings = catalogue.SOUND["study.toml"] + "\n[uncertainty]\ninterpolation = true\n"
    study = read_study(write_folder({"study.toml": settings}))
    assert "interpolation" not in study.uncertainty
    (note,) = [note for note in study.notes if "interpolation" in note]
    assert "Remove the line; between_sieves = false leaves it out." in note


def test_headings_in_words_are_understood(tmp_path):
    rows = ";0;90;300,00;340,00\na;0;0;310,00;330,00\n"
    named = "run;milling_time_min;aperture_um;tare_g;gross_g\na" + rows
    words = "Run;Milling time [min];Aperture, µm;Empty, g;With powder, g\na" + rows  # micro sign
    greek = "RUN;milling time (min);Aperture, μm;empty g;with powder g\na" + rows  # Greek mu
    studies = []
    for name, text in (("a", named), ("b", words), ("c", greek)):
        (tmp_path / name).mkdir()
        path = tmp_path / name / "trial.csv"
        path.write_text(text, encoding="utf-8")
        studies.append(read_study(path))
    assert studies[0] == studies[1] == studies[2]
    assert studies[0].runs[0].total_g == 60
