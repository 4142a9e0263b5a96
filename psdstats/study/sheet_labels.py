"""Labels for the samples of a trial, as one HTML page that prints on A4 (3 by 8 labels).

The page stands alone: no script, no outside request.  All text is escaped.
"""

from __future__ import annotations

from html import escape

from psdstats.study.cells import number_text
from psdstats.study.sheet_plan import PlannedRun, SheetPlan

__all__ = ["labels_html"]

_STYLE = """
@page { size: A4 portrait; margin: 10mm 5mm; }
body { margin: 0; font: 10pt/1.25 sans-serif; color: #000; background: #fff; }
h1 { font-size: 12pt; margin: 2mm; }
ul { display: grid; grid-template-columns: repeat(3, 1fr); gap: 1mm; margin: 0; padding: 0;
  list-style: none; }
li { box-sizing: border-box; height: 33mm; padding: 2mm 3mm; border: 0.2mm solid #666;
  overflow: hidden; break-inside: avoid; overflow-wrap: anywhere; }
strong { display: block; font-size: 13pt; }
@media print { h1 { display: none; } }
"""


def labels_html(plan: SheetPlan) -> str:
    """Page with one label a run.

    Parameters
    ----------
    plan : SheetPlan
        The trial.

    Returns
    -------
    str
        A whole HTML page.
    """
    labels = "\n".join(_label(plan, run) for run in plan.runs())
    title = escape(plan.title)
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        f"<title>Labels: {title}</title>\n<style>{_STYLE}</style>\n</head>\n<body>\n"
        f"<h1>Labels: {title}</h1>\n<ul>\n{labels}\n</ul>\n</body>\n</html>\n"
    )


def _label(plan: SheetPlan, run: PlannedRun) -> str:
    facts = [f"{run.group}, {number_text(run.milling_time_min)} min"]
    facts += [
        f"{name} {level if isinstance(level, str) else number_text(level)}"
        for name, level in run.factors.items()
    ]
    facts += [f"replicate {run.replicate}"] if run.replicate else []
    facts += [plan.material] if plan.material else []
    lines = "<br>".join(escape(fact) for fact in facts)
    return (
        f"<li><strong>{escape(run.name)}</strong>{lines}<br>date ____________ initials ______</li>"
    )
