"""The budget of one run as a page, and what sizes are traceable to."""

import pytest

from psdstats.errors import UncertaintyError
from psdstats.output.pages.budget import (
    balances_table,
    run_budget_page,
    sieves_table,
    usual_run,
)
from psdstats.uncertainty import propagate
from psdstats.uncertainty.budget import input_budget
from psdstats.uncertainty.law import prepare
from psdstats.words.sizes import size_sentence


def test_the_page_closes_with_the_u_that_its_sentence_states(bench):
    found = input_budget(prepare(bench.study))
    sizes = propagate(bench.study, method="linear")
    run = usual_run(sizes)
    page = run_budget_page(found, sizes, run, "D90")
    (table,) = page.tables
    last = table.rows()[-1]
    assert last["u"] == pytest.approx(sizes.u[sizes.runs.index(run), 2])
    assert page.sentences == (size_sentence(sizes, run, "D90"),)
    assert {"source", "input", "sensitivity", "share"} <= {one.name for one in table.columns}
    assert table.grid()[-1][-1] == "100.0 %"


def test_an_unknown_run_is_refused(bench):
    sizes = propagate(bench.study, method="linear")
    with pytest.raises(UncertaintyError, match=r"run 'x' is not in the study; it has "):
        run_budget_page(input_budget(prepare(bench.study)), sizes, "x", "D50")


def test_the_usual_run_lies_in_the_middle(benches):
    sizes = benches.sizes
    relative = sizes.u[:, 1] / sizes.value[:, 1]
    own = relative[sizes.runs.index(usual_run(sizes))]
    assert (relative < own).sum() == pytest.approx((relative > own).sum(), abs=1)


def test_sieves_are_traced_to_certificates_or_tolerances(benches):
    balances, sieves = balances_table(benches.study), sieves_table(benches.study)
    rows = {row["sieve"]: row for row in sieves.rows()}
    certified, plain = rows["Birch 125 µm"], rows["Alder 125 µm"]
    assert (certified["expanded_uncertainty_um"], certified["coverage_factor"]) == (1.2, 2.0)
    assert certified["tolerance_um"] != certified["tolerance_um"]  # NaN
    assert plain["traceable_to"] == "ISO 3310-1"
    assert certified["traceable_to"] == benches.study.sieves["Birch 125 µm"].certificate
    assert plain["tolerance_um"] == pytest.approx(125**0.98 / 27 + 1.6)  # ISO 3310-1, from memory
    assert {row["balance"] for row in balances.rows()} == {
        run.balance for run in benches.study.runs
    }
    shown = dict(zip((one.name for one in balances.columns), balances.grid()[0], strict=True))
    assert shown["slope_u"] == "0.00001"
