"""What a reviewer needs to repeat a result: versions, inputs by SHA-256, seed, options, command."""

from __future__ import annotations

import platform
import shlex
from collections.abc import Mapping

from psdstats import __version__
from psdstats.comparison.result import Comparison
from psdstats.study.records import Study
from psdstats.uncertainty.propagation import Propagation

_NONE = "none"


def provenance_record(
    study: Study, propagation: Propagation, options: Mapping[str, object]
) -> dict[str, object]:
    """The record as JSON holds it."""
    from importlib.metadata import version

    libraries = ("numpy", "scipy", "pandas", "matplotlib")
    return {
        "psdstats": __version__,
        "repeat_with": _command(propagation, options),
        "python": platform.python_version(),
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


def comparison_options(comparison: Comparison) -> dict[str, object]:
    """What was compared with what, for the record."""
    plan = comparison.plan
    groupings = [each if isinstance(each, str) else ":".join(each) for each in plan.within]
    return {
        "by": plan.by,
        "within": ", ".join(groupings) or _NONE,
        "also": ", ".join(plan.also) or _NONE,
        "at_each": plan.at_each or _NONE,
        "margin_percent": _NONE if plan.margin_percent is None else plan.margin_percent,
        "spread": plan.spread.value,
        "level": comparison.level,
        "across_quantities": comparison.across_quantities,
    }


def provenance_text(record: Mapping[str, object]) -> dict[str, str]:
    """The same as label and text, for the page."""
    lines: dict[str, str] = {}
    for name, value in record.items():
        label = name.replace("_", " ")
        if isinstance(value, Mapping):
            for key, own in value.items():
                lines[f"{label}: {key}"] = _text(own)
        elif isinstance(value, list):
            lines[label] = ", ".join(_text(item) for item in value) or "none"
        else:
            lines[label] = _text(value)
    return lines


def _text(value: object) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    return "none" if value is None else str(value)


def _command(propagation: Propagation, options: Mapping[str, object]) -> str:
    """The command that gives the same numbers from the same files."""
    words = ["psdstats", "report", "STUDY"]
    for name in ("by", "within", "also", "at_each"):
        for value in str(options.get(name, _NONE)).split(", "):
            words += [] if value == _NONE else [f"--{name.replace('_', '-')}", value]
    if options.get("margin_percent", _NONE) != _NONE:
        words += ["--margin", str(options["margin_percent"])]
    if options.get("target_um", _NONE) != _NONE:
        words += ["--target-um", str(options["target_um"])]
    if "spread" in options:
        words += ["--spread", str(options["spread"]).replace(" ", "-")]
    if "level" in options:
        words += ["--level", str(options["level"])]
    words += ["--across"] if options.get("across_quantities") else []
    words += ["--method", str(propagation.method).replace(" ", "-")]
    if propagation.draws:
        words += ["--seed", str(propagation.seed or 0), "--draws", str(propagation.draws)]
    words += ["--coverage", str(propagation.coverage), "--sources", ",".join(propagation.sources)]
    return shlex.join(words)
