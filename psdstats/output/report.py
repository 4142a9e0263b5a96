"""The report of a study: every result asked of the library, its pages in order, one folder.

The answers come first, then what a reviewer asks for; method, cautions, references and provenance
close it.  A page appears where the study could answer its question (two groups, three milling
times); where it still cannot be computed, one sentence says why.
"""

from __future__ import annotations

import platform
import shlex
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from math import isfinite
from pathlib import Path

from psdstats import __version__
from psdstats.columns import GROUP, TIME
from psdstats.comparison.analysis import Analysis
from psdstats.comparison.compare import compare
from psdstats.comparison.result import Comparison
from psdstats.comparison.whole import compare_distributions
from psdstats.errors import ModelError, PsdstatsError
from psdstats.findings import Verdict
from psdstats.output.bundle import Progress, write_report_folder
from psdstats.output.content import (
    Answer,
    Block,
    Bullets,
    Equation,
    Note,
    Page,
    Paragraph,
    ReportContent,
    Section,
)
from psdstats.output.pages.budget import (
    balances_table,
    budget_page,
    run_budget_page,
    sieves_table,
    usual_run,
)
from psdstats.output.pages.checks import checks_page
from psdstats.output.pages.comparison import comparison_page
from psdstats.output.pages.groups import collect_groups, groups_page, stated_margin
from psdstats.output.pages.limits import limits_page
from psdstats.output.pages.model_checks import attained_page, model_checks_page
from psdstats.output.pages.parts import without_repeats
from psdstats.output.pages.rate import collect_loss, rate_factor, rate_page
from psdstats.output.pages.sizes import sizes_page
from psdstats.output.pages.whole_distribution import whole_page
from psdstats.output.tables.table import Column, Show, Table
from psdstats.planning.attained import Attained
from psdstats.rate.fit_rate import fit_rate
from psdstats.study.check import check_study
from psdstats.study.flags import CheckReport
from psdstats.study.records import Study
from psdstats.study.settings import Declared
from psdstats.uncertainty.bands import undersize_bands
from psdstats.uncertainty.budget import budget
from psdstats.uncertainty.conformity import judge_limit, specifications
from psdstats.uncertainty.engine import propagate
from psdstats.uncertainty.propagation import Propagation, mean_sizes
from psdstats.uncertainty.registry import measurement_sources
from psdstats.words import conformity as conformity_words
from psdstats.words import groups as groups_words
from psdstats.words import rate as rate_words
from psdstats.words import report as words
from psdstats.words.comparison import BALANCE, GROUPS, NEXT, VERDICTS
from psdstats.words.distribution import whole_heading
from psdstats.words.numbers import PLAIN, Numerals

PERMUTATIONS = 1_999
LEAST_TIMES = 3
SHARING, FURTHER, WRITING = "sharing out the uncertainty", "groups and rate", "writing"
"""Stages of the work, as a progress line names them."""

Stage = Callable[[str], Progress | None]


@dataclass(frozen=True, kw_only=True)
class Report:
    """A report that was written.

    Parameters
    ----------
    path : Path
        The page, report.html; tables, figures and provenance.json lie beside it.
    answers : tuple of Answer
        What stands at its top.
    """

    path: Path
    answers: tuple[Answer, ...]


def report(
    study: Study,
    folder: str | Path,
    *,
    propagation: Propagation | None = None,
    comparison: Comparison | PsdstatsError | None = None,
    checks: CheckReport | None = None,
    attained: Attained | None = None,
    level: float = 0.95,
    target_um: float | None = None,
    decimal: str = ".",
    replace: bool = False,
    stage: Stage = lambda _: None,
) -> Report:
    """Write the report of a study: verdicts, sizes, comparison, budget, tables and figures.

    Parameters
    ----------
    study : Study
        The study.
    folder : path
        Where to write; appears whole or not at all.
    propagation : Propagation, optional
        Its sizes, without run-to-run variation; by Monte Carlo from seed 0 where left out.
    comparison : Comparison or PsdstatsError, optional
        What is compared, or why it cannot be; as study.toml says where left out.
    checks : CheckReport, optional
        What the bench checks found, where they were run already.
    attained : Attained, optional
        What the answers attain in simulated trials, where that was asked for.
    level : float, default=0.95
        Confidence level of groups and rate, and of a comparison that is left out.
    target_um : float, optional
        Size to reach, µm.
    decimal : {".", ","}, default="."
        Decimal sign of everything written.
    replace : bool, default=False
        Whether an earlier report in the folder is replaced.
    stage : callable, optional
        Called with the name of each stage of the work; gives a callback (done, total) or None.

    Returns
    -------
    Report
        Where the page is, and the answers at its top.

    Raises
    ------
    OutputError
        If the folder holds something that may not be replaced.
    """
    say = Numerals(decimal)
    if propagation is None:
        propagation = propagate(study, sources=measurement_sources(study))
    if comparison is None:
        try:
            comparison = compare(study, propagation=propagation, level=level)
        except ModelError as reason:
            comparison = reason
    done = comparison if isinstance(comparison, Comparison) else None
    if target_um is None and "target_um" in study.compare:
        target_um = float(study.compare["target_um"])  # type: ignore[arg-type]
    asked = {"level": level} | ({} if done is None else comparison_options(done))
    asked |= {} if target_um is None else {"target_um": target_um}
    record = provenance_record(study, propagation, asked)
    stage(SHARING)
    sizes, shares = _measured(study, propagation, comparison, say)
    stage(FURTHER)
    further = _limits(study, propagation, say)
    analysis = None if done is None else done.analysis
    further += further_pages(
        study, propagation, analysis=analysis, level=level, target_um=target_um, say=say
    )
    content = report_content(
        study,
        check_study(study) if checks is None else checks,
        propagation,
        sizes=sizes,
        comparison=_compared(study, comparison, say),
        further=[*further, shares, *_models_checked(comparison, attained, say)],
        provenance=provenance_text(record),
        compared=done,
        say=say,
    )
    path = write_report_folder(
        folder, content, provenance=record, replace=replace, progress=stage(WRITING)
    )
    return Report(path=path, answers=content.answers)


def report_content(
    study: Study,
    checks: CheckReport,
    propagation: Propagation,
    *,
    sizes: Page,
    comparison: Page,
    further: Sequence[Page],
    provenance: dict[str, str],
    compared: Comparison | None = None,
    say: Numerals = PLAIN,
) -> ReportContent:
    """Put the pages in their order; answers on the measurement itself come last.

    Whether groups agree and the balance will do is answered by the comparison where it can be.
    """
    pages = [study_page(study, say), checks_page(checks), sizes, comparison, *further]
    said = {answer.word for answer in comparison.answers} & {GROUPS, BALANCE}
    told = [*comparison.answers]
    for page in (*further, sizes):
        told += [answer for answer in page.answers if answer.word not in said]
    told.sort(key=lambda answer: _LAST.index(answer.word) if answer.word in _LAST else -1)
    cite = words.Works()
    answered = [kind for kind, heading in _FURTHER.items() if _answers(further, heading)]
    method = method_section(study, propagation, cite, compared=compared, answered=answered, say=say)
    sections = (*(page.section() for page in pages), method)
    return ReportContent(
        title=study.title,
        subtitle=words.subtitle(study, say),
        answers=tuple(Answer(each.word, words.capital(each.sentence)) for each in told),
        sections=without_repeats(sections),
        files=tuple(table for page in pages for table in page.files),
        cautions=words.CAUTIONS,
        references=cite.cited,
        provenance=provenance,
        say=say,
    )


_LAST = (BALANCE, NEXT)  # in this order, after all other answers
_FURTHER = {
    words.Further.GROUPS: groups_words.HEADING,
    words.Further.WHOLE: whole_heading(TIME),
    words.Further.RATE: rate_words.HEADING,
    words.Further.LIMITS: conformity_words.HEADING,
}


def _answers(pages: Sequence[Page], heading: str) -> bool:
    """Whether the page of that heading has numbers."""
    return any(page.heading == heading and page.tables for page in pages)


def _measured(
    study: Study,
    propagation: Propagation,
    comparison: Comparison | PsdstatsError,
    say: Numerals,
) -> tuple[Page, Page]:
    """The page of sizes, and that of the budget."""
    runs, sources = study.runs_frame(), propagation.sources
    bands = undersize_bands(study, sources=sources, coverage=propagation.coverage)
    means = mean_sizes(propagation, runs, [GROUP, TIME])
    shares = budget(study, by=_compared_by(study, comparison), sources=sources)
    page, run = budget_page(shares, say), usual_run(propagation)
    if run is not None:
        page += run_budget_page(shares.inputs, propagation, run, "D50", say)
    page += Page(heading=page.heading, blocks=(sieves_table(study),))
    return sizes_page(propagation, runs, bands, means, say), page


def _limits(study: Study, propagation: Propagation, say: Numerals) -> list[Page]:
    """Decisions on the limits that study.toml states."""
    limits, sources = specifications(study), propagation.sources
    found = [judge_limit(study, one, sources=sources) for one in limits]
    return [limits_page(found, say)] if found else []


def _compared_by(study: Study, comparison: Comparison | PsdstatsError) -> str:
    """The column compared: that of the comparison, of study.toml, or milling time."""
    if isinstance(comparison, Comparison):
        return comparison.plan.by
    return str(study.compare.get("by") or TIME)


def _compared(study: Study, comparison: Comparison | PsdstatsError, say: Numerals) -> Page:
    """The comparison as a page; where the study does not allow it, the page says why."""
    if isinstance(comparison, Comparison):
        return comparison_page(comparison, say)
    by, reason = _compared_by(study, comparison), str(comparison)
    return Page(
        heading=words.whether_heading(by),
        answers=(Answer(Verdict.CANNOT_BE_TOLD, words.uncompared_sentence(by, reason)),),
        blocks=(Note(words.not_computed(reason)),),
    )


def _models_checked(
    comparison: Comparison | PsdstatsError, attained: Attained | None, say: Numerals
) -> list[Page]:
    """Checks of the models behind a comparison, where there are any, and what it attains."""
    proof = [] if attained is None else [attained_page(attained, say)]
    if isinstance(comparison, PsdstatsError) or all(one.fit is None for one in comparison.results):
        return proof
    return [model_checks_page(comparison, say), *proof]


def further_pages(
    study: Study,
    propagation: Propagation,
    *,
    analysis: Analysis | None = None,
    level: float = 0.95,
    target_um: float | None = None,
    say: Numerals = PLAIN,
) -> list[Page]:
    """Groups, whole distribution and rate, as far as the study has them; asked as its analysis."""
    plan = None if analysis is None else analysis.plan
    margin = stated_margin(study) if plan is None else plan.margin_percent

    def groups() -> Page:
        found = collect_groups(
            study,
            propagation,
            margin_percent=margin,
            level=level,
            intraclass=False,
            analysis=analysis if analysis is not None and "D50" in analysis.quantities else None,
        )
        return groups_page(found, say)

    def whole() -> Page:
        seed = propagation.seed or 0
        found = compare_distributions(study, level=level, permutations=PERMUTATIONS, seed=seed)
        return whole_page(found, say)

    def rate() -> Page:
        found = fit_rate(
            study,
            target_um=target_um,
            margin_percent=margin,
            level=level,
            propagation=propagation,
            analysis=analysis,
        )
        each = plan.at_each if plan is not None and plan.by == TIME else rate_factor(study)
        loss, notes = collect_loss(study, at_each=each, level=level)
        return rate_page(found, loss, notes=notes, say=say)

    times = {run.milling_time_min for run in study.runs}
    several_groups = len({run.group for run in study.runs}) > 1
    wanted = (
        (groups_words.HEADING, groups, several_groups),
        (whole_heading(TIME), whole, len(times) > 1),
        (rate_words.HEADING, rate, len(times) >= LEAST_TIMES or target_um is not None),
    )
    return [_or_reason(heading, make) for heading, make, is_wanted in wanted if is_wanted]


def _or_reason(heading: str, make: Callable[[], Page]) -> Page:
    """What `make` gives, or a page with one sentence on why it cannot."""
    try:
        return make()
    except PsdstatsError as reason:
        return Page(heading=heading, blocks=(Note(words.not_computed(str(reason))),))


def study_page(study: Study, say: Numerals = PLAIN) -> Page:
    """What was done: groups, times, runs, balances."""
    return Page(
        heading=words.STUDY_HEADING,
        blocks=(
            Paragraph(words.study_sentence(study)),
            _groups_table(study, say),
            balances_table(study),
        ),
        notes=study.notes,
        notes_heading=words.ASSUMED_HEADING,
    )


def _groups_table(study: Study, say: Numerals) -> Table:
    runs = study.runs_frame()
    counts = (
        runs.groupby("group", sort=False)
        .agg(
            runs=("run", "size"),
            times=(TIME, lambda times: ", ".join(map(say, sorted(set(times))))),
            balance=("balance", lambda names: ", ".join(dict.fromkeys(names))),
        )
        .reset_index()
    )
    stacks = {
        run.group: ", ".join(say(r.aperture_um) for r in run.readings if r.aperture_um > 0)
        for run in reversed(study.runs)
    }
    counts["apertures_um"] = counts["group"].map(stacks)
    return Table(
        name="groups",
        frame=counts,
        caption=words.GROUPS_CAPTION,
        columns=(
            Column(name="group", heading="group"),
            Column(name="runs", heading="runs", show=Show.COUNT),
            Column(name="times", heading="milling times", unit="min"),
            Column(name="apertures_um", heading="apertures", unit="µm"),
            Column(name="balance", heading="balance"),
        ),
    )


def method_section(
    study: Study,
    propagation: Propagation,
    cite: words.Works,
    *,
    compared: Comparison | None = None,
    answered: Sequence[words.Further] = (),
    say: Numerals = PLAIN,
) -> Section:
    """The method of this report, with the choices actually made."""
    rule = propagation.rule
    blocks: list[Block] = [
        Paragraph(words.weighing_paragraph(study, cite), cites=True),
        Equation(*words.NET_MASSES),
        Paragraph(words.percentile_paragraph(rule)),
        *([Equation(*words.RULES[rule])] if rule in words.RULES else []),
        Paragraph(words.uncertainty_paragraph(study, propagation, cite), cites=True),
    ]
    if compared is not None:
        paragraphs = words.comparison_paragraphs(compared, cite, say)
        blocks += [Paragraph(text, cites=True) for text in paragraphs]
        if any(one.fit is not None for one in compared.results):
            blocks.append(Equation(*words.COVARIANCE))
    if answered:
        blocks.append(Paragraph(words.further_paragraph(answered, cite), cites=True))
    meaning = Bullets(tuple(VERDICTS.values()))
    return Section(
        heading="Method",
        blocks=tuple(blocks),
        sections=(Section(heading=words.MEANING_HEADING, blocks=(meaning,)),),
    )


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
        "rule": propagation.rule or None,
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
        "at_each": ", ".join(plan.at_each) or _NONE,
        "leave_out": ", ".join(plan.left_out) or _NONE,
        "margin_percent": _NONE if plan.margin_percent is None else plan.margin_percent,
        "spread": plan.spread.value,
        "direction": plan.direction.value,
        "one_family": plan.one_family,
        "run_to_run": _declared(plan.run_to_run),
        "drift": _declared(plan.drift),
        "test": plan.test.value,
        "level": comparison.level,
        "across_quantities": comparison.across_quantities,
    }


def _declared(spread: Declared | None) -> str:
    """A declared spread as the command line takes it."""
    if spread is None:
        return _NONE
    return f"{spread.percent:g}" + (f":{spread.df:g}" if isfinite(spread.df) else "")


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
    for name in ("by", "within", "also", "at_each", "leave_out"):
        for value in str(options.get(name, _NONE)).split(", "):
            words += [] if value == _NONE else [f"--{name.replace('_', '-')}", value]
    for name in ("margin", "target_um", "run_to_run", "drift"):
        value = str(options.get("margin_percent" if name == "margin" else name, _NONE))
        words += [] if value == _NONE else [f"--{name.replace('_', '-')}", value]
    for name in ("spread", "direction", "test", "level"):
        if name in options:
            words += [f"--{name}", str(options[name]).replace(" ", "-")]
    words += ["--one-family"] if options.get("one_family") else []
    words += ["--across"] if options.get("across_quantities") else []
    words += ["--method", str(propagation.method).replace(" ", "-")]
    if propagation.draws:
        words += ["--seed", str(propagation.seed or 0), "--draws", str(propagation.draws)]
    words += ["--coverage", str(propagation.coverage), "--sources", ",".join(propagation.sources)]
    return shlex.join(words)
