"""Which sources exist, and which of them a study switches on.

Every module in `psdstats.uncertainty.sources` is read for subclasses of `Source`; adding a source
is adding a class there.
"""

from __future__ import annotations

import inspect
import pkgutil
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache
from importlib import import_module

from psdstats.errors import UncertaintyError
from psdstats.study.records import Study
from psdstats.study.settings import RETIRED, UNCERTAINTY_RULES, expected_instead
from psdstats.uncertainty import sources as folder
from psdstats.uncertainty.inputs import Source

RUN_TO_RUN = "run_to_run"
"""Name of the declared scatter between runs, which models of several runs estimate themselves."""


@dataclass(frozen=True, kw_only=True)
class ChosenSources:
    """Sources of a propagation, in budget order, and the names of those left out."""

    included: tuple[Source, ...]
    left_out: tuple[str, ...]

    def without(self, name: str) -> ChosenSources:
        """The same with one source left out."""
        kept = tuple(source for source in self.included if source.name != name)
        if len(kept) == len(self.included):
            return self
        return ChosenSources(included=kept, left_out=(*self.left_out, name))


@cache
def known_sources() -> dict[str, type[Source]]:
    """All source classes by name, in budget order."""
    found: list[type[Source]] = []
    for module in pkgutil.iter_modules(folder.__path__):
        loaded = import_module(f"{folder.__name__}.{module.name}")
        found += [
            item
            for item in vars(loaded).values()
            if inspect.isclass(item)
            and issubclass(item, Source)
            and not inspect.isabstract(item)
            and item.__module__ == loaded.__name__
        ]
    return {source.name: source for source in sorted(found, key=lambda one: (one.order, one.name))}


def choose_sources(study: Study, asked: Iterable[str | Source] | None = None) -> ChosenSources:
    """Sources a study switches on, or exactly those asked for.

    Parameters
    ----------
    study : Study
        Its `uncertainty` settings switch sources on and off.
    asked : iterable of str or Source, optional
        Names, or sources with their parameters; replaces the settings of the study.

    Returns
    -------
    ChosenSources
        The sources taken, and notes on what had to be assumed.

    Raises
    ------
    UncertaintyError
        If a setting or a name is unknown, of the wrong type, or a source lacks what it needs.
    """
    known = known_sources()
    chosen: dict[str, Source] = {}
    if asked is None:
        _check_settings(study)
        for name, source in known.items():
            setting = study.uncertainty.get(source.switch or source.name)
            if source.on_by_default(study) if setting is None else setting:
                chosen[name] = source.from_study(study)
    else:
        for item in asked:
            if isinstance(item, Source):
                chosen[item.name] = item
            elif item in known:
                chosen[item] = known[item].from_study(study)
            else:
                raise UncertaintyError(
                    f"source {item!r} is not known; choose from {', '.join(known)}."
                )
    ordered = sorted(chosen.values(), key=lambda source: (source.order, source.name))
    return ChosenSources(
        included=tuple(ordered),
        left_out=tuple(name for name in known if name not in chosen),
    )


def _check_settings(study: Study) -> None:
    """Refuse settings that no file may have either."""
    for key, value in study.uncertainty.items():
        place = f"setting {key!r} of the uncertainty table"
        if key in RETIRED:
            raise UncertaintyError(
                f"{place} has no effect any more, for what the curve may do between two sieves "
                f"counts by default; remove it, or give {RETIRED[key]} = false to leave that out."
            )
        if key not in UNCERTAINTY_RULES:
            names = ", ".join(UNCERTAINTY_RULES)
            raise UncertaintyError(f"{place} is not known; choose from {names}.")
        expected = expected_instead(UNCERTAINTY_RULES[key], value)
        if expected:
            raise UncertaintyError(f"{place} is {value!r}; give {expected}.")


def measurement_sources(
    study: Study, asked: Iterable[str | Source] | None = None
) -> tuple[Source, ...]:
    """Sources for what estimates run-to-run variation itself: those asked for, without it."""
    return tuple(
        source for source in choose_sources(study, asked).included if source.name != RUN_TO_RUN
    )
