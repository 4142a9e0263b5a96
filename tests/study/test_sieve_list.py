"""A laboratory's own list of sieves."""

import pytest

from psdstats.errors import StudyError
from psdstats.sieves import Sieve
from psdstats.study.sheet_plan import read_sieve_list


def test_list(tmp_path):
    path = tmp_path / "ours.csv"
    path.write_text(
        "sieve;nominal_um;certified_um;expanded_uncertainty_um\nÄ;90;90,4;1,2\nB;45;;\n",
        encoding="cp1252",
    )
    assert read_sieve_list(path, encoding="cp1252") == (
        Sieve(key="Ä", nominal_um=90.0, certified_um=90.4, expanded_uncertainty_um=1.2),
        Sieve(key="B", nominal_um=45.0),
    )


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("sieve,nominal_um\nA,ninety\n", "column nominal_um: this is not a number"),
        ("sieve\nA\n", "column nominal_um: the column is missing"),
        ("", "the table is empty"),
    ],
)
def test_bad_lists(tmp_path, text, message):
    path = tmp_path / "ours.csv"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(StudyError, match=message):
        read_sieve_list(path)
    with pytest.raises(StudyError, match="no such file"):
        read_sieve_list(tmp_path / "nowhere.csv")
