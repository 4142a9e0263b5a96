"""How results show themselves: the one door from the numeric folders up to words and figures.

A display method of a result calls ``psdstats.present.present(form, self)``; a form makes the page
of the result, as commands and report do, and shows of it what is wanted.
"""

from __future__ import annotations

from collections.abc import Callable
from importlib import import_module
from types import MappingProxyType
from typing import TYPE_CHECKING

from psdstats.errors import OutputError
from psdstats.words.numbers import PLAIN, Numerals
from psdstats.words.remarks import sentence

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from psdstats.output.content import Page

# class of a result: module of psdstats.output.pages and the function that makes its page
PAGES = MappingProxyType(
    {
        "Budget": ("budget", "budget_page"),
        "Comparison": ("comparison", "comparison_page"),
        "PowerResult": ("planning", "power_page"),
        "PrecisionPlan": ("planning", "precision_page"),
        "RateResult": ("rate", "rate_page"),
        "StackChoice": ("planning", "stack_page"),
        "Timeline": ("planning", "timeline_page"),
        "WholeComparison": ("whole_distribution", "whole_page"),
    }
)
# class of a result: module of psdstats.words, its sentences, and the name of its cautions there;
# where left out, its page says them
SENTENCES = MappingProxyType(
    {
        "Comparison": ("comparison", "summary", ""),
        "DistributionFit": ("distribution", "fit_sentence", ""),
        "Fineness": ("distribution", "step_sentence", ""),
        "GroupAgreement": ("groups", "agreement_sentences", ""),
        "LossRates": ("rate", "loss_sentences", ""),
        "MillCharge": ("planning", "charge_sentences", "MILL_CAUTIONS"),
        "PowerResult": ("power", "power_sentences", ""),
        "PrecisionPlan": ("planning", "precision_sentences", ""),
        "StackChoice": ("planning", "stack_sentences", ""),
        "StudyFits": ("distribution", "fit_sentences", ""),
        "Timeline": ("planning", "timeline_sentences", "BENCH_CAUTIONS"),
        "WholeComparison": ("distribution", "whole_sentences", ""),
    }
)


def page_of(result: object, say: Numerals = PLAIN) -> Page:
    """The page of a result."""
    name = type(result).__name__
    if name not in PAGES:
        raise OutputError(f"a {name} has no page; these have: {', '.join(sorted(PAGES))}.")
    module, function = PAGES[name]
    make = getattr(import_module(f"psdstats.output.pages.{module}"), function)
    page: Page = make(result, say=say)
    return page


def summary(result: object, say: Numerals = PLAIN) -> str:
    """The answer in words, then notes and cautions, one a line."""
    name = type(result).__name__
    if name not in SENTENCES:
        page = page_of(result, say)
        return "\n".join([*page.sentences, *(f"Note: {note}" for note in page.notes)])
    module, function, cautions = SENTENCES[name]
    words = import_module(f"psdstats.words.{module}")
    told = getattr(words, function)(result, say)
    if isinstance(told, str):
        return told
    notes = (f"Note: {sentence(one, say)}" for one in getattr(result, "notes", ()))
    return "\n".join([*told, *notes, *(getattr(words, cautions) if cautions else ())])


def plot(result: object, say: Numerals = PLAIN) -> Axes:
    """The first figure of its page, as Axes."""
    drawings = page_of(result, say).drawings
    if not drawings:
        raise OutputError(f"a {type(result).__name__} of this study has nothing to draw.")
    ax: Axes = drawings[0].figure.axes[0]
    return ax


def html(result: object, say: Numerals = PLAIN) -> str:
    """The whole page of the result as one HTML document."""
    from psdstats.output.content import ReportContent
    from psdstats.output.html import report_html

    page = page_of(result, say)
    return report_html(ReportContent(title=page.heading, sections=(page.whole(),), say=say))


FORMS: MappingProxyType[str, Callable[..., object]] = MappingProxyType(
    {"summary": summary, "plot": plot, "html": html}
)
"""Forms by name; each takes the result and options."""
