"""The same study with one thing changed: what a better balance or sieve would buy.

Each change gives a study back, so that every source sees it the way it sees the real one.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

from psdstats.sieves.sieve import Sieve
from psdstats.sieves.tolerance import tolerance_um
from psdstats.study.records import Run, Study, TareHandling

__all__ = ["Change", "changes_for"]

_FINER = 10.0
_CERTIFIED_SHARE = 0.25


@dataclass(frozen=True, kw_only=True)
class Change:
    """One change: what it is called, and the study it makes."""

    label: str
    apply: Callable[[Study], Study]


def changes_for(study: Study) -> tuple[Change, ...]:
    """Changes that make a difference to this study, cheapest to state first."""
    changes = [
        Change(label="balance ten times finer", apply=_finer_balance),
        Change(label="twice the sample", apply=_twice_the_sample),
    ]
    if not all(sieve.is_certified for sieve in study.sieves.values()):
        label = "certified sieves (U a quarter of the tolerance, k = 2)"
        changes.append(Change(label=label, apply=_certified_sieves))
    if study.tares is TareHandling.ONCE:
        changes.append(Change(label="tares weighed again in each run", apply=_tares_each_run))
    return tuple(changes)


def _finer_balance(study: Study) -> Study:
    """Resolution, repeatability and linearity a tenth of what they are; slope as it is."""
    balances = {
        name: replace(
            balance,
            resolution_g=balance.resolution_g / _FINER,
            repeatability_g=balance.repeatability_g / _FINER,
            linearity_g=balance.linearity_g / _FINER,
        )
        for name, balance in study.balances.items()
    }
    return replace(study, balances=balances)


def _twice_the_sample(study: Study) -> Study:
    return replace(study, runs=tuple(_twice(run) for run in study.runs))


def _twice(run: Run) -> Run:
    readings = tuple(
        replace(reading, gross_g=reading.tare_g + 2 * reading.net_g) for reading in run.readings
    )
    sample = None if run.sample_mass_g is None else 2 * run.sample_mass_g
    return replace(run, readings=readings, sample_mass_g=sample)


def _certified_sieves(study: Study) -> Study:
    """Sieves without a certificate get one: U = Y/4 (common practice, no source), k = 2."""
    return replace(study, sieves={key: _certified(sieve) for key, sieve in study.sieves.items()})


def _certified(sieve: Sieve) -> Sieve:
    if sieve.is_certified:
        return sieve
    half_width = tolerance_um(sieve.nominal_um, standard=sieve.standard)
    return replace(
        sieve,
        certified_um=sieve.best_um,
        expanded_uncertainty_um=_CERTIFIED_SHARE * half_width,
        coverage_factor=2.0,
    )


def _tares_each_run(study: Study) -> Study:
    return replace(study, tares=TareHandling.EACH_RUN)
