"""Results of the demo studies (invented data) by the linear law, made once."""

from types import SimpleNamespace

import pytest
from psdstats_datasets import demo_study

from psdstats import check_study, compare, propagate, read_study
from psdstats.uncertainty import budget
from psdstats.uncertainty.bands import undersize_bands
from psdstats.uncertainty.propagation import mean_sizes
from psdstats.uncertainty.registry import measurement_sources


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
