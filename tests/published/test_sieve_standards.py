"""Tolerances and rules against values of standards.

Sources: ISO 3310-1 table values and ASTM E11 spot values are quoted from memory, as the product
says of its formula too; the limit of 227 µm for the 180 µm sieve was read on
glenammer.com/post/understanding-laboratory-test-sieve-calibration-and-isobs-astm-standards-tolerance;
the load limits were read in a copy of ASTM C136/C136M-19, 8.3.
"""

import pytest

from psdstats.sieves import aperture_table, tolerance_um
from psdstats.sieves.standards import practice_rule

ISO_3310_1_Y_UM = {20: 2.3, 45: 3.1, 63: 3.7, 125: 5.8, 250: 9.9, 500: 18, 2000: 70, 4000: 130}
"""Tolerance on the average aperture, µm (ISO 3310-1, table values from memory)."""

DIGITS_UM = {20: 0.1, 45: 0.1, 63: 0.1, 125: 0.1, 250: 0.1, 500: 1, 2000: 10, 4000: 10}
"""Last digit printed in that table, µm."""


@pytest.mark.parametrize("nominal_um", ISO_3310_1_Y_UM)
def test_average_aperture_tolerance(nominal_um):
    """The formula agrees with the table to its last printed digit (one unit of it)."""
    printed = ISO_3310_1_Y_UM[nominal_um]
    assert tolerance_um(nominal_um) == pytest.approx(printed, abs=DIGITS_UM[nominal_um])
    table = aperture_table().set_index("w_um")
    assert table.loc[nominal_um, "Y_table_um"] == printed
    assert table.loc[nominal_um, "Y_formula_um"] == pytest.approx(
        tolerance_um(nominal_um), abs=0.0051
    )


def test_astm_e11_coarse_values():
    """4.75 mm ± 0.150 mm and 125 mm ± 3.66 mm (ASTM E11, from memory), to the last digit."""
    assert tolerance_um(4750, standard="ASTM E11") == pytest.approx(150, abs=1)
    assert tolerance_um(125_000, standard="ASTM E11") == pytest.approx(3660, abs=10)


def test_largest_single_aperture_of_180_um():
    """180 µm: no aperture above 227 µm, that is X = 47 µm (read in the source named above)."""
    table = aperture_table().set_index("w_um")
    assert table.loc[180, "X_table_um"] == 47
    assert table.loc[180, "X_formula_um"] == pytest.approx(47, abs=0.5)
    assert table.loc[180, "table_value_status"] == "searched"


def test_load_limits():
    """ASTM C136/C136M-19, 8.3: 7 kg/m² below 4.75 mm, 2.5 kg per m² and mm from there on."""
    fine, coarse = practice_rule("load_limit"), practice_rule("load_limit_coarse")
    source = "ASTM C136/C136M:2019, 8.3"  # "document not checked" would follow what is from memory
    assert (fine.value, fine.unit, fine.source) == (7.0, "kg/m2", source)
    assert (coarse.value, coarse.source) == (2.5, source)
    assert practice_rule("coarse_from").value == 4750.0


def test_pharmacopoeia_limits():
    """USP <786>, Ph. Eur. 2.9.38 (from memory): loss 5 %; end point 5 % or 0.1 g, or 20 %."""
    values = {
        "loss_percent": 5.0, "end_point_percent": 5.0, "end_point_mass": 0.1,
        "end_point_small_percent": 20.0, "end_point_small_share": 5.0, "dominant_percent": 50.0,
    }  # fmt: skip
    for name, value in values.items():
        assert practice_rule(name).value == value
        assert practice_rule(name).status == "from memory"
