"""Which sources exist, and which of them a study switches on.

Every module in `psdstats.uncertainty.sources` is read for subclasses of `Source`; adding a source
is adding one file there.
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
from psdstats.uncertainty import sources as folder
from psdstats.uncertainty.inputs import Source

# settings of the [uncertainty] table that are not switches of a source
_OTHER_SETTINGS = ("coverage",)


@dataclass(frozen=True, kw_only=True)
class ChosenSources:
    """Sources of a propagation, in budget order, and the names of those left out."""

    included: tuple[Source, ...]
    left_out: tuple[str, ...]


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
    return {source.name: source for source in sorted(found, key=lambda one: one.order)}


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
        _check_settings(study, known)
        for name, source in known.items():
            if _is_on(study, source):
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


def _is_on(study: Study, source: type[Source]) -> bool:
    setting = study.uncertainty.get(source.switch)
    return source.on_by_default(study) if setting is None else bool(setting)


def _check_settings(study: Study, known: dict[str, type[Source]]) -> None:
    switches = {source.switch: source for source in known.values()}
    for key, value in study.uncertainty.items():
        if key in _OTHER_SETTINGS:
            continue
        if key not in switches:
            names = ", ".join([*switches, *_OTHER_SETTINGS])
            raise UncertaintyError(
                f"setting {key!r} of the uncertainty table is not known; choose from {names}."
            )
        if key.endswith("_percent"):
            good = isinstance(value, int | float) and not isinstance(value, bool)
        else:
            good = isinstance(value, bool)
        if not good:
            wanted = "a number in per cent" if key.endswith("_percent") else "true or false"
            raise UncertaintyError(
                f"setting {key!r} of the uncertainty table is {value!r}; give {wanted}."
            )
