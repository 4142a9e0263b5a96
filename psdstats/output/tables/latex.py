"""A table as LaTeX that compiles in the plain article class, without any package.

Tables longer than a page are cut into several with the caption continued.
"""

from __future__ import annotations

from psdstats.output.tables.table import Table
from psdstats.output.text import escape_latex

__all__ = ["to_latex"]

_ROWS_A_PAGE = 38


def to_latex(table: Table, *, decimal: str = ".") -> str:
    r"""Write a table as one or more LaTeX table environments.

    Parameters
    ----------
    table : Table
        The table.
    decimal : str, default="."
        Decimal sign.

    Returns
    -------
    str
        LaTeX text to be read by ``\input``, rounded as in the report.
    """
    body = [" & ".join(_cell(text) for text in row) + r" \\" for row in table.grid(decimal=decimal)]
    pages = [body[at : at + _ROWS_A_PAGE] for at in range(0, len(body), _ROWS_A_PAGE)] or [[]]
    parts = [_environment(table, rows, number) for number, rows in enumerate(pages)]
    return "\n".join(parts)


def _environment(table: Table, rows: list[str], number: int) -> str:
    spec = "".join("r" if column.is_number else "l" for column in table.columns)
    head = " & ".join(_cell(column.full_heading) for column in table.columns) + r" \\"
    if number == 0:
        caption = [rf"\caption{{{escape_latex(table.caption)}}}", rf"\label{{tab:{table.key}}}"]
    else:
        caption = [rf"\par\smallskip {escape_latex(table.caption)} (continued)\par\smallskip"]
    notes = [rf"\par\smallskip {escape_latex(note)}" for note in table.notes]
    return "\n".join(
        [
            r"\begin{table}[htbp]",
            r"\centering\small",
            *caption,
            rf"\begin{{tabular}}{{{spec}}}",
            r"\hline",
            head,
            r"\hline",
            *rows,
            r"\hline",
            r"\end{tabular}",
            *(notes if number == 0 else []),
            r"\end{table}",
            "",
        ]
    )


def _cell(text: str) -> str:
    escaped = escape_latex(text)
    # a bracket right after \\ would be read as its argument
    return "{}" + escaped if escaped.startswith(("[", "*")) else escaped
