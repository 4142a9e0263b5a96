"""Results of the demo studies (invented data) by the linear law, made once."""

from importlib.util import module_from_spec, spec_from_file_location
from pathlib import Path
from types import SimpleNamespace

import pandas as pd
import pytest
from psdstats_datasets import demo_study

from psdstats import check_study, compare, propagate, read_study
from psdstats.columns import TIME
from psdstats.errors import ModelError
from psdstats.output.collect import Results
from psdstats.rate.fit_rate import fit_rate
from psdstats.uncertainty import budget
from psdstats.uncertainty.engine import undersize_bands
from psdstats.uncertainty.inputs import measurement_sources
from psdstats.uncertainty.propagation import mean_sizes


def _results(name):
    study = read_study(demo_study(name))
    sources = measurement_sources(study)
    sizes = propagate(study, method="linear", sources=sources)
    runs = study.runs_frame()
    return SimpleNamespace(
        study=study,
        checks=check_study(study),
        sizes=sizes,
        runs=runs,
        bands=undersize_bands(study, sources=sources),
        means=mean_sizes(sizes, runs, ["group", "milling_time_min"]),
        comparison=compare(study, propagation=sizes),
        budget=budget(study, sources=sources),
    )


@pytest.fixture(scope="session")
def benches():
    """Four benches, two replicates; D10 is open for some runs at 48 min."""
    return _results("four_benches")


@pytest.fixture(scope="session")
def bench():
    """One bench, one run for each time."""
    return _results("one_bench")


def results_of(study, *, target_um=None, **fields):
    """What page one and the checks read of a study, by the linear law."""
    sources = measurement_sources(study)
    sizes = propagate(study, method="linear", sources=sources)
    try:
        comparison = compare(study, propagation=sizes)
    except ModelError as reason:
        comparison = reason
    rate = None
    if target_um is not None:
        rate = fit_rate(study, target_um=target_um, propagation=sizes, analysis=comparison.analysis)
    by = TIME if isinstance(comparison, ModelError) else comparison.plan.by
    return Results(
        study=study,
        checks=check_study(study),
        propagation=sizes,
        bands=pd.DataFrame(),
        comparison=comparison,
        budget=budget(study, by=by, sources=sources),
        rate=rate,
        target_um=target_um,
        **fields,
    )


@pytest.fixture(scope="session")
def demo():
    """The large demo with a target of 90 µm."""
    return results_of(read_study(demo_study("four_benches")), target_um=90.0)


@pytest.fixture(scope="session")
def kind():
    """What was found of one of the small studies of `sheet_kinds`, each made once."""
    spec = spec_from_file_location("sheet_kinds", Path(__file__).parent / "sheet_kinds.py")
    made = module_from_spec(spec)
    spec.loader.exec_module(made)
    found = {}

    def of(name):
        if name not in found:
            found[name] = results_of(made.KINDS[name]())
        return found[name]

    return of
