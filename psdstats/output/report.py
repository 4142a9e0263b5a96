"""The report of a study: page one, the pages that follow, an appendix, one folder.

The answers come first, then what a reviewer asks for; every run, test and number, method,
references and provenance stand in the appendix.  A page appears where the study could answer its
question (two groups, three milling times); where it still cannot be computed, one sentence says
why.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, fields, is_dataclass
from dataclasses import replace as with_fields
from functools import partial
from math import isfinite
from pathlib import Path
from typing import TypeVar

from psdstats.columns import TIME
from psdstats.comparison.result import Comparison
from psdstats.comparison.values import Values
from psdstats.errors import ModelError, OutputError, PsdstatsError
from psdstats.files import Holds, ensure
from psdstats.findings import Course, Finding, Remark, Verdict
from psdstats.limits import LEVEL, SIZE_UM
from psdstats.output.bundle import write_report_folder
from psdstats.output.collect import WRITING, Compared, Results, Stage, gather, in_hand
from psdstats.output.content import (
    Block,
    Bullets,
    Drawing,
    Equation,
    Note,
    Page,
    Paragraph,
    ReportContent,
    Section,
    Sheet,
    page_of,
    without_repeats,
)
from psdstats.output.pages.answer_sheet import answer_sheet
from psdstats.output.pages.budget import (
    balances_table,
    budget_page,
    limits_page,
    run_budget_page,
    sieves_table,
    usual_run,
)
from psdstats.output.pages.checks import attained_page, checks_page, model_checks_page
from psdstats.output.pages.comparison import comparison_page
from psdstats.output.pages.groups import groups_page
from psdstats.output.pages.rate import rate_page
from psdstats.output.pages.sizes import in_hand_page, sizes_page
from psdstats.output.pages.whole_distribution import whole_page
from psdstats.output.table import Column, Show, Table
from psdstats.planning.attained import Attained
from psdstats.provenance import record
from psdstats.rate.fit_rate import RateResult
from psdstats.room import one_thread
from psdstats.study.aside import every_note
from psdstats.study.flags import CheckReport
from psdstats.study.records import Study, in_order
from psdstats.study.settings import Declared
from psdstats.uncertainty.inputs import Source, SourceRemark
from psdstats.uncertainty.propagation import Propagation
from psdstats.words import groups as groups_words
from psdstats.words import rate as rate_words
from psdstats.words import report as words
from psdstats.words.comparison import verdict_meanings
from psdstats.words.numbers import PLAIN, Numerals
from psdstats.words.sizes import whole_heading

Found = TypeVar("Found")


@dataclass(frozen=True, kw_only=True)
class Report:
    """A report that was written.

    Parameters
    ----------
    path : Path
        The page, report.html; tables, figures and provenance.json lie beside it.
    sheet : Sheet
        What stands on page one.
    provenance : mapping of str to object
        Where its numbers come from.
    """

    path: Path
    sheet: Sheet
    provenance: Mapping[str, object]


@one_thread
def report(
    study: Study | Comparison,
    folder: str | Path,
    *,
    sources: Iterable[str | Source] | None = None,
    propagation: Propagation | Callable[[], Propagation] | None = None,
    comparison: Compared | Callable[[], Compared] | None = None,
    checks: CheckReport | None = None,
    attained: Attained | Callable[[Comparison], Attained | None] | None = None,
    level: float = 0.95,
    target_um: float | None = None,
    author: str = "",
    date: str = "",
    command: str | None = None,
    decimal: str = ".",
    replace: bool = False,
    stage: Stage = lambda _: None,
) -> Report:
    """Write the report of a study: the answer on one page, what it rests on, tables and figures.

    Parameters
    ----------
    study : Study or Comparison
        The study, or what was compared: of values in hand the report shows this alone.
    folder : path
        Where to write; appears whole or not at all.
    sources : iterable of str or Source, optional
        What is counted; as study.toml says where left out.
    propagation : Propagation or callable, optional
        Its sizes, without run-to-run variation, or what gives them while the trial is compared; by
        Monte Carlo from seed 0 where left out.
    comparison : Comparison or PsdstatsError or callable, optional
        What is compared, or why it cannot be, or what gives this; as study.toml says where left
        out.
    checks : CheckReport, optional
        What the bench checks found, where they were run already.
    attained : Attained or callable, optional
        What the answers attain in simulated trials, or what tells it of a comparison.
    level : float, default=0.95
        Confidence level of groups and rate, and of a comparison that is left out.
    target_um : float, optional
        Size to reach, µm.
    author, date : str, default=""
        Who answers for the report, and its date; the author of study.toml where left out.
    command : str, optional
        The command that makes it again, for the record.
    decimal : {".", ","}, default="."
        Decimal sign of everything written.
    replace : bool, default=False
        Whether an earlier report in the folder is replaced.
    stage : callable, optional
        Called with the name of each stage of the work; gives a callback (done, total) or None.

    Returns
    -------
    Report
        Where the page is, and what stands on page one.

    Raises
    ------
    OutputError
        If the folder holds something that may not be replaced.

    Examples
    --------
    >>> from tempfile import TemporaryDirectory
    >>> import psdstats
    >>> from psdstats_datasets import demo_study
    >>> study = psdstats.read_study(demo_study("one_bench"))
    >>> sizes = psdstats.propagate(study, method="linear")
    >>> with TemporaryDirectory() as folder:
    ...     written = psdstats.report(study, f"{folder}/report", propagation=sizes)
    >>> print(written.path.name)
    report.html
    >>> print(written.sheet.lead)
    In 48 min D50 fell from 247.3 µm to 132.0 µm.
    """
    ensure(folder, Holds.RESULTS, replace=replace)
    LEVEL.require("level", level, ModelError)
    if target_um is not None:
        SIZE_UM.require("target_um", target_um, ModelError)
    say = Numerals(decimal)
    own = study.analysis.study if isinstance(study, Comparison) else study
    if isinstance(own, Study):
        comparison = study if isinstance(study, Comparison) else comparison
        found = gather(
            in_order(own) if propagation is None and comparison is None else own,
            sources=sources,
            propagation=propagation,
            comparison=comparison,
            checks=checks,
            attained=attained,
            level=level,
            target_um=target_um,
            stage=stage,
        )
    elif isinstance(study, Comparison) and isinstance(own, Values):
        found = in_hand(own, study, level)
    else:
        raise OutputError("A report is written of a study, or of what was compared; give either.")
    found = with_fields(found, author=author.strip() or own.author, report_date=date.strip())
    done, target_um = found.compared, found.target_um
    asked = {"level": level} | ({} if done is None else comparison_options(done))
    given = {"target_um": target_um, "author": author, "date": date}
    asked |= {name: value for name, value in given.items() if value not in (None, "")}
    record = report_record(found.study, found.propagation, asked, command)
    content = report_content(found, provenance=provenance_text(record), say=say)
    path = write_report_folder(
        folder,
        content,
        provenance=record,
        replace=replace,
        progress=stage(WRITING),
    )
    return Report(path=path, sheet=content.sheet or Sheet(), provenance=record)


def report_content(
    found: Results, *, provenance: Mapping[str, str], say: Numerals = PLAIN
) -> ReportContent:
    """Page one, the pages that follow, and behind them the appendix."""
    pages = report_pages(found, say)
    cite = words.Works()
    method = method_section(found, cite, say)
    fronts = (page.front() for page in pages)
    backs = (page.back() for page in pages)
    sections = _figures_first([one for one in fronts if one is not None])
    appendix = [*(one for one in backs if one is not None), method]
    kept = without_repeats([*sections, *appendix])
    return ReportContent(
        title=words.title(found.study, say),
        author=found.author,
        date=found.report_date,
        sheet=answer_sheet(found, say),
        sections=kept[: len(sections)],
        appendix=kept[len(sections) :],
        files=tuple(table for page in pages for table in page.files),
        cautions=words.CAUTIONS,
        references=cite.cited,
        provenance=provenance,
        say=say,
    )


def _figures_first(sections: list[Section]) -> list[Section]:
    """The figure of changes before the table of means: paper may break the table alone."""
    has_figure = [any(isinstance(each, Drawing) for each in one.blocks) for one in sections]
    return [*sections[1::-1], *sections[2:]] if has_figure[:2] == [False, True] else sections


def report_pages(found: Results, say: Numerals = PLAIN) -> list[Page]:
    """Every page in the order of the report."""
    study, shares, bands, checks = found.study, found.budget, found.bands, found.checks
    models = _models_pages(found, say)
    if isinstance(study, Values) or shares is None or bands is None or checks is None:
        runs, compared = study.runs_frame(), found.compared
        own = [] if compared is None else [in_hand_page(compared, runs, say)]
        return [*own, *_page("", found.comparison, comparison_page, say), *models]
    run = usual_run(found.propagation)
    shared = budget_page(shares, say)
    if run is not None:
        shared += run_budget_page(shares.inputs, found.propagation, run, "D50", say)
    shared += Page(heading=shared.heading, blocks=(sieves_table(study),))
    results = () if found.compared is None else found.compared.results
    benches = [one for each in results for one in each.benches]  # where other sizes differ

    def own_rate(result: RateResult, say: Numerals) -> Page:
        return rate_page(result, found.loss, notes=found.loss_notes, say=say)

    return [
        study_page(study, say),
        sizes_page(found.propagation, study.runs_frame(), bands, say, comparison=found.compared),
        *_page(words.whether_heading(_by(found)), found.comparison, comparison_page, say),
        *_page(groups_words.HEADING, found.groups, partial(groups_page, others=benches), say),
        *_page(whole_heading(TIME), found.whole, whole_page, say),
        *_page(rate_words.HEADING, found.rate, own_rate, say),
        *([limits_page(list(found.limits), say)] if found.limits else []),
        shared,
        checks_page(checks, found.compared, say),
        *models,
    ]


def _models_pages(found: Results, say: Numerals) -> list[Page]:
    """Checks of the models fitted, and what the answers attain where that was asked."""
    models: list[Page] = []
    if found.compared is not None and any(one.fit for one in found.compared.results):
        models.append(model_checks_page(found.compared, say, checks=found.model_checks))
    if found.attained is not None:
        models.append(attained_page(found.attained, say))
    return models


def _by(found: Results) -> str:
    """The column compared: that of the comparison, of study.toml, or milling time."""
    if found.compared is not None:
        return found.compared.plan.by
    return str(found.study.compare.get("by") or TIME)


def _page(
    heading: str,
    result: Found | PsdstatsError | None,
    page: Callable[[Found, Numerals], Page],
    say: Numerals,
) -> Iterable[Page]:
    """The page of a result, or one with a sentence on why there is none."""
    if result is None:
        return
    if isinstance(result, PsdstatsError):
        yield Page(heading=heading, blocks=(Note(words.not_computed(str(result))),))
    else:
        yield page(result, say)


@page_of.register
def study_page(study: Study, say: Numerals = PLAIN) -> Page:
    """What was done: groups, times, runs, balances."""
    return Page(
        heading=words.STUDY_HEADING,
        blocks=(
            Paragraph(words.study_sentence(study)),
            balances_table(study),
            _groups_table(study, say),
        ),
        notes=every_note(study),
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
            Column("group", "group"),
            Column("runs", "runs", show=Show.COUNT),
            Column("times", "milling times", "min"),
            Column("apertures_um", "apertures", "µm"),
            Column("balance", "balance"),
        ),
    )


def method_section(found: Results, cite: words.Works, say: Numerals = PLAIN) -> Section:
    """The method of this report, with the choices actually made."""
    study, propagation, compared = found.study, found.propagation, found.compared
    further = {
        words.Further.GROUPS: found.groups,
        words.Further.WHOLE: found.whole,
        words.Further.RATE: found.rate,
        words.Further.LIMITS: found.limits or None,
    }
    answered = [
        kind
        for kind, result in further.items()
        if result is not None and not isinstance(result, PsdstatsError)
    ]
    blocks: list[Block] = []
    if isinstance(study, Values):
        blocks.append(Paragraph(words.in_hand_paragraph(study)))
    else:
        blocks += _size_blocks(study, propagation, cite, say)
    if compared is not None:
        paragraphs = words.comparison_paragraphs(compared, cite, say)
        blocks += [Paragraph(text, cites=True) for text in paragraphs]
        if any(one.fit is not None for one in compared.results):
            blocks.append(Equation(*words.COVARIANCE))
    if answered:
        blocks.append(Paragraph(words.further_paragraph(answered, cite), cites=True))
    if isinstance(study, Study):
        unchecked = _unchecked(study, found.propagation, answered)
        blocks.append(Paragraph(words.unchecked_sentence(unchecked)))
    meanings = verdict_meanings(_verdicts(found))
    meaning = Section(heading=words.MEANING_HEADING, blocks=(Bullets(meanings),))
    return Section(
        heading="Method",
        blocks=tuple(one for one in blocks if one != Paragraph("")),
        sections=(meaning,) if meanings else (),
    )


def _size_blocks(
    study: Study, propagation: Propagation, cite: words.Works, say: Numerals
) -> list[Block]:
    """How sizes and their uncertainties were found."""
    rule = propagation.rule
    return [
        Paragraph(words.weighing_paragraph(study, cite), cites=True),
        Equation(*words.NET_MASSES),
        Paragraph(words.percentile_paragraph(rule)),
        *([Equation(*words.RULES[rule])] if rule in words.RULES else []),
        Paragraph(words.uncertainty_paragraph(study, propagation, cite, say), cites=True),
    ]


def _unchecked(
    study: Study, propagation: Propagation, answered: Iterable[words.Further]
) -> list[words.Unchecked]:
    """What was used and not compared with the text of its document."""
    notes = (one for one in propagation.notes if isinstance(one, Remark))
    by_balance = any(one.kind is SourceRemark.NO_DATA_SHEET for one in notes)
    used = {
        words.Unchecked.TOLERANCE: words.uses_tolerances(study, propagation),
        words.Unchecked.BALANCE: by_balance,
        words.Unchecked.PRECISION: words.Further.GROUPS in answered,
        words.Unchecked.SCORES: words.Further.GROUPS in answered,
        words.Unchecked.CHECKS: True,
    }
    return [one for one, is_used in used.items() if is_used]


def _verdicts(result: object) -> Iterator[Verdict]:
    """Every verdict in a result, however deep."""
    if isinstance(result, Finding):
        yield result.verdict
    elif isinstance(result, Results):
        compared = () if result.compared is None else result.compared.results
        for one in (compared, result.groups, result.whole, result.rate, result.loss):
            yield from _verdicts(one)
    elif isinstance(result, tuple | list):
        for one in result:
            yield from _verdicts(one)
    elif is_dataclass(result):
        if isinstance(result, Course):
            yield result.verdict
        for field in fields(result):
            yield from _verdicts(getattr(result, field.name))


_NONE = "none"
_DIGITS = 16  # of a digest on the page; provenance.json has all
_NOT_SHOWN = ("schema", "options")


def report_record(
    study: Study | Values,
    propagation: Propagation,
    options: Mapping[str, object],
    command: str | None = None,
) -> dict[str, object]:
    """The record of a report, with what was found out while it was made."""
    in_hand = isinstance(study, Values)
    made = record(
        study,
        seed=None if in_hand else propagation.seed,
        method=None if in_hand else str(propagation.method),
        options=options,
        command=command,
    )
    if in_hand:
        return made
    return made | {
        "draws": propagation.draws,
        "sources": list(propagation.sources),
        "sources_left_out": list(propagation.sources_left_out),
        "rule": propagation.rule or None,
        "coverage": propagation.coverage,
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
    if spread.each:
        return ",".join(f"{name}={_declared(one)}" for name, one in spread.each.items())
    return f"{spread.percent:g}" + (f":{spread.df:g}" if isfinite(spread.df) else "")


def provenance_text(record: Mapping[str, object]) -> dict[str, str]:
    """The same as label and text, for the page; the options are left to provenance.json."""
    lines: dict[str, str] = {}
    for name, value in record.items():
        label = name.replace("_", " ")
        if name in _NOT_SHOWN or value is None:
            continue
        if isinstance(value, Mapping):
            lines |= {key: _text(own)[:_DIGITS] for key, own in value.items()}
        elif isinstance(value, list):
            lines[label] = ", ".join(_text(item) for item in value) or "none"
        else:
            lines[label] = _text(value)
    return lines


def _text(value: object) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    return "none" if value is None else str(value)
