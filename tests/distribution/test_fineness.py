"""Fineness by the step rule of the pharmacopoeia."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from psdstats.distribution.moments import fineness, fineness_table
from psdstats.errors import SizeError
from psdstats.sieves import Sieve
from psdstats.study.records import Balance, Place, Reading, Run, Study

# Ph. Eur. 2.9.35 (from memory): coarse x50 > 355, moderately fine 180 to 355, fine 125 to 180,
# very fine at most 125 µm.
STACK = [90, 125, 180, 250, 355, 500]


@pytest.mark.parametrize(
    ("undersize", "step", "classes"),
    [
        ([0.2, 0.5, 0.7, 0.8, 0.9, 1.0], 125, ("very fine",)),
        ([0.2, 0.49, 0.7, 0.8, 0.9, 1.0], 180, ("fine",)),
        ([0.1, 0.2, 0.49, 0.6, 0.9, 1.0], 250, ("moderately fine",)),
        ([0.1, 0.2, 0.3, 0.4, 0.5, 1.0], 355, ("moderately fine",)),
        ([0.1, 0.2, 0.3, 0.4, 0.49, 1.0], 500, ("coarse",)),
        ([0.1, 0.2, 0.3, 0.4, 0.45, 0.49], float("inf"), ("coarse",)),
        ([0.6, 0.7, 0.8, 0.9, 1.0, 1.0], 90, ("very fine",)),
    ],
)
def test_classes(undersize, step, classes):
    found = fineness(STACK, undersize)
    assert found.step_um == step
    assert found.classes == classes
    assert "document not checked" in found.source


def test_a_stack_that_cannot_tell():
    found = fineness([250, 500], [0.8, 1.0])
    assert found.classes == ("moderately fine", "fine", "very fine")
    assert "does not tell these classes apart" in found.summary()
    found = fineness([150, 300], [0.1, 0.3])
    assert set(found.classes) == {"coarse", "moderately fine"}
    assert "above 300 µm" in found.summary()


def test_the_step_is_never_interpolated_nor_called_d50():
    found = fineness([100, 200, 400], [0.0, 0.999, 1.0])
    assert found.step_um == 200
    assert "D50" not in found.summary()


@settings(deadline=None)
@given(st.lists(st.floats(0, 1), min_size=6, max_size=6))
def test_the_step_is_a_sieve_and_the_one_below_passes_less(values):
    undersize = sorted(values)
    step = fineness(STACK, undersize).step_um
    if step in STACK:
        place = STACK.index(step)
        assert undersize[place] >= 0.5 - 1e-12
        assert place == 0 or undersize[place - 1] < 0.5
    else:
        assert undersize[-1] < 0.5


def test_table_of_a_study():
    readings = tuple(
        Reading(sieve=f"{um}", aperture_um=um, tare_g=300, gross_g=300 + net, place=Place("w", 2))
        for um, net in [(0, 2.0), (125, 4.0), (180, 4.0)]
    )
    run = Run(name="A-6", group="A", milling_time_min=6, readings=readings, balance="b")
    study = Study(
        title="t",
        runs=(run,),
        sieves={um: Sieve(key=um, nominal_um=float(um)) for um in ("125", "180")},
        balances={"b": Balance(name="b", resolution_g=0.01)},
    )
    row = fineness_table(study).iloc[0]
    assert (row["run"], row["step_um"], row["classes"]) == ("A-6", 180, "fine")


@pytest.mark.parametrize(
    ("aperture", "undersize", "message"),
    [
        ([90, 125], [0.5], "one undersize for each aperture"),
        ([125, 90], [0.2, 0.5], "do not ascend"),
        ([0, 90], [0.2, 0.5], "leave the pan out"),
    ],
)
def test_refusals(aperture, undersize, message):
    with pytest.raises(SizeError, match=message):
        fineness(aperture, undersize)


def test_unknown_scheme():
    with pytest.raises(SizeError, match="scheme 'BP' is not known"):
        fineness([90], [0.5], scheme="BP")
