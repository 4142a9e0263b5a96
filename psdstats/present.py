"""The one door upward: results show themselves through the presenter, which is loaded on use.

Numeric folders know no words, tables or figures.  A display method of a result calls `present` with
the name of the form it wants; `psdstats.output.presenter` has a function for each form.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from matplotlib.axes import Axes

PRESENTER = "psdstats.output.presenter"


def present(form: str, result: object, **options: object) -> object:
    """Show a result in a form: "summary" gives text, "plot" Axes, "brief" and "notebook" a repr.

    Raises
    ------
    KeyError
        If the presenter has no such form.
    """
    return import_module(PRESENTER).FORMS[form](result, **options)


class Shown:
    """A result that shows itself: in words, as a figure, in a console and in a notebook.

    A dataclass derived from it says ``repr=False``, so that this one is taken.
    """

    def summary(self) -> str:
        """The answer in words, one sentence a line, then notes.

        Examples
        --------
        >>> import psdstats
        >>> from psdstats_datasets import demo_study
        >>> study = psdstats.read_study(demo_study("one_bench"))
        >>> print(study.summary().splitlines()[1])
        5 runs in 1 group.
        """
        return str(present("summary", self))

    def plot(self, ax: Axes | None = None, *, quantity: str | None = None) -> Axes:
        """Draw its main figure.

        Parameters
        ----------
        ax : Axes, optional
            Where to draw; new Axes in the house style where left out.
        quantity : str, optional
            Which size is drawn, where the result has several and the figure shows one: D50 where
            left out.

        Returns
        -------
        Axes
            Those drawn on.

        Raises
        ------
        OutputError
            If the result has nothing to draw, or has no such quantity.

        Examples
        --------
        >>> import psdstats
        >>> from psdstats_datasets import demo_study
        >>> study = psdstats.read_study(demo_study("one_bench"))
        >>> psdstats.propagate(study, method="linear").plot(quantity="D90").get_ylabel()
        'size / µm'
        """
        drawn: Any = present("plot", self, ax=ax, quantity=quantity)
        own: Axes = drawn
        return own

    def __repr__(self) -> str:
        return str(present("brief", self))

    def _repr_html_(self) -> str:
        return str(present("notebook", self))
