"""What a reviewer needs to repeat a result: version, inputs by SHA-256, seed, options."""

from __future__ import annotations

from collections.abc import Mapping

from psdstats import __version__
from psdstats.study.records import Study
from psdstats.uncertainty import Propagation

__all__ = ["provenance_record", "provenance_text"]


def provenance_record(
    study: Study, propagation: Propagation, options: Mapping[str, object]
) -> dict[str, object]:
    """The record as JSON holds it.

    Parameters
    ----------
    study : Study
        Its files are named with the SHA-256 of their bytes.
    propagation : Propagation
        Gives method, seed, draws and sources.
    options : mapping
        Options of the command that matter for the numbers.

    Returns
    -------
    dict
        No date and no machine, so that the same inputs give the same bytes.
    """
    from importlib.metadata import version

    libraries = ("numpy", "scipy", "pandas", "matplotlib")
    return {
        "psdstats": __version__,
        "libraries": {name: version(name) for name in libraries},
        "study": study.title,
        "inputs": {file.name: file.sha256 for file in study.files},
        "method": str(propagation.method),
        "seed": propagation.seed,
        "draws": propagation.draws,
        "sources": list(propagation.sources),
        "sources_left_out": list(propagation.sources_left_out),
        "rule": propagation.rule,
        "coverage": propagation.coverage,
        "options": dict(options),
    }


def provenance_text(record: Mapping[str, object]) -> dict[str, str]:
    """The same as label and text, for the page."""
    lines: dict[str, str] = {}
    for name, value in record.items():
        label = name.replace("_", " ")
        if isinstance(value, Mapping):
            for key, own in value.items():
                lines[f"{label}: {key}"] = str(own)
        elif isinstance(value, list):
            lines[label] = ", ".join(str(item) for item in value) or "none"
        else:
            lines[label] = str(value)
    return lines
