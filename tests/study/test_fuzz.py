"""Damaged bytes end in a PsdstatsError or a valid study, never in anything else.

Everyday tests try 500 mutations; the long run is tests/calibration/fuzz_reading.py.
"""

import importlib.util
import io
import random
import zipfile
from pathlib import Path

import pytest

from psdstats.errors import PsdstatsError
from psdstats.study import Study, check_study, read_study, save_study

HERE = Path(__file__).parent
_spec = importlib.util.spec_from_file_location("bad_inputs", HERE / "bad_inputs.py")
CATALOGUE = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(CATALOGUE)

TOKENS = [
    *(b",", b";", b'"', b"\n", b"\r", b"\0", b"\xff", b"\xef\xbb\xbf", b"=", b"[", b"]", b"{"),
    *(b"nan", b"1e999", b"-1", b"9" * 400, b"0" * 30, b"true", b"#", b"'", b"\xe2\x80\xa8"),
    *(b"<!DOCTYPE x>", b"</row>", b'<c r="A1">', b'r="XFD1048576"', b't="e"', b't="d"'),
]


def mutate(rng, content):
    content = bytearray(content)
    for _ in range(rng.choice([1, 1, 2, 4])):
        place = rng.randrange(len(content) + 1)
        kind = rng.randrange(5)
        if kind == 0 and content:
            content[place % len(content)] = rng.randrange(256)
        elif kind == 1:
            del content[place : place + rng.randint(1, 20)]
        elif kind == 2:
            content[place:place] = rng.choice(TOKENS)
        elif kind == 3:
            content[place:place] = content[place : place + rng.randint(1, 40)]
        else:
            other = rng.randrange(len(content) + 1)
            content[place:place] = content[other : other + rng.randint(1, 20)]
    return bytes(content)


def mutate_workbook(rng, content):
    """Damage the packed bytes, or one part inside a sound package."""
    if rng.random() < 0.3:
        return mutate(rng, content)
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(content)) as source, zipfile.ZipFile(out, "w") as target:
        parts = source.namelist()
        chosen = rng.choice(parts)
        for part in parts:
            data = source.read(part)
            if part == chosen:
                if rng.random() < 0.1:
                    continue
                data = mutate(rng, data)
            target.writestr(part, data)
    return out.getvalue()


def sources(place):
    """Sound files of each form, by kind."""
    folder = place / "sound"
    folder.mkdir()
    for name, text in CATALOGUE.SOUND.items():
        (folder / name).write_text(text, encoding="utf-8")
    study = read_study(folder)
    flat = save_study(study, place / "flat.csv", form="flat").read_bytes()
    book = save_study(study, place / "book.xlsx", form="workbook").read_bytes()
    return flat, book


def attempt(rng, place, flat, book):
    """Read one damaged study; returns it, or the error."""
    kind = rng.choice(["folder", "flat", "book"])
    if kind == "folder":
        target = place / "fuzzed"
        target.mkdir(exist_ok=True)
        chosen = rng.choice(list(CATALOGUE.SOUND))
        for name, text in CATALOGUE.SOUND.items():
            raw = text.encode()
            (target / name).write_bytes(mutate(rng, raw) if name == chosen else raw)
    elif kind == "flat":
        target = place / "fuzzed.csv"
        target.write_bytes(mutate(rng, flat))
    else:
        target = place / "fuzzed.xlsx"
        target.write_bytes(mutate_workbook(rng, book))
    try:
        study = read_study(target)
    except PsdstatsError as error:
        return error
    assert isinstance(study, Study)
    check_study(study)
    assert all(run.total_g > 0 and run.readings[0].aperture_um == 0 for run in study.runs)
    return study


def fuzz(number, seed, place):
    rng = random.Random(seed)
    flat, book = sources(place)
    outcomes = [attempt(rng, place, flat, book) for _ in range(number)]
    return sum(isinstance(outcome, Study) for outcome in outcomes)


@pytest.mark.parametrize("seed", range(5))
def test_100_mutations(seed, tmp_path):
    read = fuzz(100, seed, tmp_path)
    assert 0 < read < 100  # some mutations do no harm, some do
