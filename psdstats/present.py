"""The one door upward: results show themselves through the presenter, which is loaded on use.

Numeric folders know no words, tables or figures.  A display method of a result calls `present` with
the name of the form it wants; `psdstats.output.presenter` has a function for each form.
"""

from __future__ import annotations

from importlib import import_module

PRESENTER = "psdstats.output.presenter"


def present(form: str, result: object, **options: object) -> object:
    """Show a result in a form: "summary" gives text, "plot" an Axes, "html" markup.

    Raises
    ------
    KeyError
        If the presenter has no such form.
    """
    return import_module(PRESENTER).FORMS[form](result, **options)
