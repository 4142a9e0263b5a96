"""How results show themselves: the one door from the numeric folders up to words and figures.

A display method of a result calls ``psdstats.present.present(form, self)``; a form takes of the
page of the result, as commands and report make it, what is wanted.  A result without a page has
its sentences, table and figure named here; one without words shows its table.
"""

from __future__ import annotations

import base64
from collections.abc import Callable
from functools import partial
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

import pandas as pd

from psdstats.columns import BALANCE, CHARGE, GROUP, TIME
from psdstats.comparison.groups import GroupAgreement
from psdstats.comparison.result import Comparison, QuantityComparison
from psdstats.comparison.whole import StudyFits, WholeComparison
from psdstats.distribution.curves import curve_frame
from psdstats.distribution.fits import DistributionFit
from psdstats.distribution.moments import Fineness
from psdstats.distribution.percentiles import SizeTable
from psdstats.errors import OutputError
from psdstats.models.contrasts import ContrastResult
from psdstats.models.diagnostics import residual_table
from psdstats.models.mixed_model import MixedModelFit
from psdstats.output.content import Drawing, Page
from psdstats.output.figures.bench import bench_bars
from psdstats.output.figures.effects import (
    effect_ratios,
    ratios_height_mm,
    residuals_against_fitted,
)
from psdstats.output.figures.groups import bench_deviations, class_changes
from psdstats.output.figures.planning import uncertainty_against_sample
from psdstats.output.figures.save import png_bytes
from psdstats.output.figures.sizes import size_against_time
from psdstats.output.figures.undersize import undersize_curves
from psdstats.output.pages.budget import budget_page
from psdstats.output.pages.checks import checks_page
from psdstats.output.pages.comparison import comparison_page, ratio_drawing
from psdstats.output.pages.groups import agreement_table
from psdstats.output.pages.model_checks import attained_page
from psdstats.output.pages.parts import panel_of
from psdstats.output.pages.planning import (
    charge_page,
    power_page,
    precision_page,
    stack_page,
    timeline_page,
)
from psdstats.output.pages.rate import rate_page
from psdstats.output.pages.sizes import sizes_table
from psdstats.output.pages.whole_distribution import whole_page
from psdstats.output.report import study_page
from psdstats.output.style import narrow_screen
from psdstats.output.tables.table import Column, Show, Table, columns_of
from psdstats.output.text import escape_html
from psdstats.planning.attained import Attained
from psdstats.planning.bench.charge import MillCharge
from psdstats.planning.bench.timeline import Timeline
from psdstats.planning.power import PowerResult
from psdstats.planning.precision_plan import PrecisionPlan
from psdstats.planning.stack_choice import StackChoice
from psdstats.rate.first_order import LossRates
from psdstats.rate.fit_rate import RateResult
from psdstats.study.flags import CheckReport
from psdstats.study.records import Study
from psdstats.uncertainty.budget import Budget
from psdstats.uncertainty.propagation import Propagation
from psdstats.uncertainty.ratios import RatioIntervals
from psdstats.words import comparison as words
from psdstats.words import planning as plans
from psdstats.words.distribution import fit_sentence as fit_of_run
from psdstats.words.distribution import fit_sentences, step_sentence, whole_sentences
from psdstats.words.groups import agreement_sentences
from psdstats.words.models import contrast_sentences, fit_sentence
from psdstats.words.numbers import PLAIN, Numerals
from psdstats.words.planning import power_sentences
from psdstats.words.rate import loss_sentences
from psdstats.words.report import study_sentences
from psdstats.words.sizes import (
    notes_in_words,
    propagation_sentences,
    ratio_sentences,
    rule_sentences,
)
from psdstats.words.study import check_sentences

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_MOST_ROWS = 10  # of a table in a notebook
_MOST_LINES, _LINE = 4, 100  # of a repr below the name, and signs of a line

PAGES: MappingProxyType[type, Callable[..., Page]] = MappingProxyType(
    {
        Attained: attained_page,
        Budget: budget_page,
        CheckReport: lambda report, say: checks_page(report, say=say),
        Comparison: comparison_page,
        MillCharge: charge_page,
        PowerResult: power_page,
        PrecisionPlan: precision_page,
        RateResult: rate_page,
        StackChoice: stack_page,
        Study: study_page,
        Timeline: timeline_page,
        WholeComparison: whole_page,
    }
)
"""What makes the page of a result."""
SENTENCES: MappingProxyType[type, Callable[[Any, Numerals], str | tuple[str, ...]]] = (
    MappingProxyType(
        {
            CheckReport: check_sentences,
            Comparison: words.summary,
            ContrastResult: contrast_sentences,
            DistributionFit: fit_of_run,
            Fineness: step_sentence,
            GroupAgreement: agreement_sentences,
            LossRates: loss_sentences,
            MillCharge: lambda own, say: (*plans.charge_sentences(own, say), *plans.MILL_CAUTIONS),
            MixedModelFit: lambda fit, _: fit_sentence(fit),
            PowerResult: power_sentences,
            PrecisionPlan: plans.precision_sentences,
            Propagation: propagation_sentences,
            QuantityComparison: words.quantity_sentences,
            RatioIntervals: ratio_sentences,
            SizeTable: rule_sentences,
            StackChoice: plans.stack_sentences,
            Study: study_sentences,
            StudyFits: lambda fits, _: fit_sentences(fits),
            Timeline: lambda own, say: (
                *plans.timeline_sentences(own, say),
                *plans.BENCH_CAUTIONS,
            ),
            WholeComparison: whole_sentences,
        }
    )
)
"""What a result says in words, where it is not what its page says."""


def page_of(result: object, say: Numerals = PLAIN) -> Page:
    """The page of a result."""
    if type(result) not in PAGES:
        known = ", ".join(sorted(one.__name__ for one in PAGES))
        raise OutputError(f"a {type(result).__name__} has no page; these have: {known}.")
    return PAGES[type(result)](result, say=say)


def summary(result: object, say: Numerals = PLAIN) -> str:
    """The answer in words, then notes, one a line; the table where there are no words."""
    own = type(result)
    if own in SENTENCES:
        told = SENTENCES[own](result, say)
        notes = notes_in_words(getattr(result, "notes", ()), say)
    else:
        page = page_of(result, say)
        told, notes = page.sentences, page.notes
    return told if isinstance(told, str) else "\n".join([*told, *(f"Note: {one}" for one in notes)])


def brief(result: object, say: Numerals = PLAIN) -> str:
    """Name and first lines of the summary, each cut to a line: what a console shows."""
    every = summary(result, say).splitlines()[:_MOST_LINES]
    lines = (line if len(line) <= _LINE else f"{line[: _LINE - 2]} …" for line in every)
    return "\n  ".join([type(result).__name__, *lines])


def table_of(result: Any, say: Numerals = PLAIN) -> Table | None:
    """The main table of a result; None where it has none."""
    match result:
        case Propagation():
            names = {"run": result.runs, GROUP: result.groups, TIME: result.milling_time_min}
            runs = pd.DataFrame(names).assign(**{CHARGE: None, BALANCE: ""})
            return sizes_table(result, runs, say)
        case GroupAgreement():
            return agreement_table(result, say)
        case Study():
            return page_of(result, say).tables[-1]
    if type(result) in PAGES:
        page = page_of(result, say)
        return next(iter((*page.first, *page.tables)), None)
    if isinstance(result, Fineness):
        return None
    frame = result.to_frame()
    if isinstance(result, MixedModelFit):  # named by its index
        frame = frame.reset_index()
    columns: tuple[Column, ...] = ()
    if isinstance(result, RatioIntervals):
        ratio = Column(name="ratio", heading="ratio", show=Show.RATIO, lower="lower", upper="upper")
        columns = (*columns_of(frame[["high", "low", "quantity"]]), ratio)
    return Table(name=type(result).__name__, frame=frame, caption="", columns=columns)


def plot(
    result: Any, *, ax: Axes | None = None, quantity: str | None = None, say: Numerals = PLAIN
) -> Axes:
    """The main figure of a result, onto Axes of somebody's own or new ones."""
    name = type(result).__name__
    drawing = _of_quantity(result, quantity, say)
    if drawing is None and quantity is not None:
        raise OutputError(f"the figure of a {name} shows what there is; leave out quantity.")
    if drawing is None and type(result) in PAGES:
        drawings = page_of(result, say).drawings
        drawing = next((one for one in drawings if one.onto is not None), None)
    drawing = drawing or _of_itself(result, say)
    if drawing is None or drawing.onto is None:
        raise OutputError(f"a {name} of this study has nothing to draw.")
    return drawing.draw() if ax is None else drawing.onto(ax)


def _of_quantity(result: Any, quantity: str | None, say: Numerals) -> Drawing | None:
    """The figure of one quantity of several; None for a result of none or one."""
    match result:
        case Propagation():
            own = _rows_of(result.to_frame(), quantity)
            unit = own["unit"].iloc[0]
            return _panel(lambda ax: size_against_time(own, ax, unit=unit), say)
        case Comparison():
            family = result.families[0]
            own = _rows_of(result.to_frame(family), quantity)
            return ratio_drawing(result, family, own["quantity"].unique(), say)
        case RatioIntervals():
            own = _rows_of(result.to_frame(), quantity)
            own = own.rename(columns={"lower": "ratio_lower", "upper": "ratio_upper"})
            pairs = [f"{high} / {low}" for high, low in zip(own["high"], own["low"], strict=True)]
            return _ratios(own.assign(contrast=pairs, verdict=""), say)
    return None


def _of_itself(result: Any, say: Numerals) -> Drawing | None:
    """The figure of a result whose page has none of one panel."""
    match result:
        case Study():
            frame = curve_frame(result).merge(result.runs_frame())
            frame = frame.assign(lower=frame["undersize"], upper=frame["undersize"])
            return _panel(lambda ax: undersize_curves(frame, ax), say)
        case ContrastResult():
            return _ratios(result.as_ratios().assign(verdict=""), say)
        case QuantityComparison() if result.findings:
            return _ratios(result.to_frame(result.findings[0].subject.family), say)
        case GroupAgreement() if len(result.by_condition):
            margin, at = result.margin_percent, (GROUP, *result.conditions)
            deviations = partial(bench_deviations, result.by_condition)
            return _panel(partial(deviations, conditions=at, margin_percent=margin), say)
        case MixedModelFit():
            table, label = residual_table(result), f"fitted {result.model.response}"
            return _panel(lambda ax: residuals_against_fitted(table, ax, fitted_label=label), say)
        case PrecisionPlan():
            curves = (
                one.assign(series=[f"{say(d)} g" for d in one["resolution_g"]])
                for one in (result.law_frame(), result.simulated_frame())
            )
            law, points = curves
            wanted = result.wanted_percent
            return _panel(
                lambda ax: uncertainty_against_sample(
                    law, ax, points=points, wanted_percent=wanted
                ),
                say,
            )
        case Timeline():
            uses, start = result.uses_frame(), result.days[0].start
            first, clock = uses[uses["day"] == 1], (start.hour, start.minute)
            return _panel(lambda ax: bench_bars(first, ax, start=clock), say)
        case WholeComparison() if len(result.to_frame()):
            frame = result.to_frame()
            first = frame[frame["stack"] == frame["stack"].iloc[0]]
            return _panel(lambda ax: class_changes(first, ax), say)
    return None


def _panel(onto: Callable[[Axes], Axes], say: Numerals, height_mm: float = 80.0) -> Drawing:
    return panel_of("", onto, "", "", height_mm=height_mm, say=say)


def _ratios(frame: pd.DataFrame, say: Numerals) -> Drawing:
    return _panel(lambda ax: effect_ratios(frame, ax), say, ratios_height_mm(len(frame)))


def _rows_of(frame: pd.DataFrame, quantity: str | None) -> pd.DataFrame:
    """The rows of one quantity: of D50 where there is one and none is named."""
    known = list(dict.fromkeys(frame["quantity"]))
    chosen = quantity or ("D50" if "D50" in known else known[0])
    if chosen not in known:
        raise OutputError(f"there is no {chosen!r} here; choose from {', '.join(known)}.")
    return frame[frame["quantity"] == chosen].reset_index(drop=True)


def notebook(result: object, say: Numerals = PLAIN) -> str:
    """Summary, first rows of the table and a small figure as a fragment of HTML."""
    lines = summary(result, say).splitlines()[:_MOST_LINES]
    told = "".join(f"<div>{escape_html(line)}</div>" for line in lines)
    shown = _markup_of(table_of(result, say), say)
    return f"<div><b>{type(result).__name__}</b>{told}{shown}{_image(result, say)}</div>"


def _markup_of(table: Table | None, say: Numerals) -> str:
    if table is None:
        return ""
    columns = [one for one in table.columns if not one.spare]
    grid = [[one.text(row, say) for one in columns] for row in table.rows()[:_MOST_ROWS]]
    frame = pd.DataFrame(grid, columns=[one.full_heading for one in columns])
    rows = len(table.frame)
    more = "" if rows <= _MOST_ROWS else f"<div>{_MOST_ROWS} of {rows} rows</div>"
    return f"{frame.to_html(index=False, border=0)}{more}"


def _image(result: object, say: Numerals) -> str:
    """The figure, so small that it stands beside others; nothing where there is none."""
    try:
        with narrow_screen():
            figure: Any = plot(result, say=say).get_figure(root=True)
            png = png_bytes(figure)
    except OutputError:
        return ""
    data = base64.b64encode(png).decode()
    return f'<img alt="{type(result).__name__}" width="420" src="data:image/png;base64,{data}">'


FORMS: MappingProxyType[str, Callable[..., object]] = MappingProxyType(
    {"summary": summary, "brief": brief, "plot": plot, "notebook": notebook}
)
"""Forms by name; each takes the result and options."""
