"""What a source of uncertainty is: a name, a citation, parameters, and its elementary inputs.

To add a source, add one module to this folder with a subclass of `Source` in it; the registry in
`psdstats.uncertainty.registry` finds it.

Inputs that belong to single balance readings, with tares shared where they were weighed once.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Callable, Sequence
from typing import ClassVar, Self

import numpy as np

from psdstats.errors import UncertaintyError
from psdstats.study.records import Balance, Study, TareHandling
from psdstats.uncertainty.inputs import ElementaryInputs, Kind, Weighings


class Source(ABC):
    """One source of uncertainty, with its parameters as fields of a frozen dataclass.

    Attributes
    ----------
    name : str
        Key in the study settings, in budgets and in random streams.
    citation : str
        Where the model comes from.
    balance_limited : bool
        Whether a better balance would make it smaller.
    order : int
        Place in the budget.
    switch : str
        Setting that switches it on: true or false, or a number above 0 for `..._percent`.
    """

    name: ClassVar[str]
    citation: ClassVar[str]
    balance_limited: ClassVar[bool] = False
    order: ClassVar[int]
    switch: ClassVar[str]

    @classmethod
    def on_by_default(cls, study: Study) -> bool:  # noqa: ARG003 - sources look at the study
        """Whether the source counts where the study does not mention it.

        Parameters
        ----------
        study : Study
            The trial; some sources look at what it knows.

        Returns
        -------
        bool
        """
        return False

    @classmethod
    @abstractmethod
    def from_study(cls, study: Study) -> Self:
        """Take the parameters from the study.

        Parameters
        ----------
        study : Study
            The trial with its settings, balances and sieves.

        Returns
        -------
        Source

        Raises
        ------
        UncertaintyError
            Naming the key that is missing or out of range.
        """

    @abstractmethod
    def inputs(self, weighings: Weighings) -> Sequence[ElementaryInputs]:
        """Elementary inputs of this source.

        Parameters
        ----------
        weighings : Weighings
            The runs and their readings.

        Returns
        -------
        sequence of ElementaryInputs
            Inputs with mean 0 and standard deviation 1, and what each does to masses, apertures or
            ln sizes.
        """


def check_at_least_zero(name: str, value: float, place: str) -> None:
    """Refuse a parameter that is negative or not finite."""
    if not 0 <= value < float("inf"):
        raise UncertaintyError(f"{place}: {name} is {value!r}; give a number of 0 or more.")


def reading_inputs(
    weighings: Weighings,
    *,
    kind: Kind,
    u_g: Callable[[Balance], float],
    degrees_of_freedom: float = np.inf,
) -> ElementaryInputs:
    """One input for every gross and every tare reading; none where its uncertainty is 0.

    Notes
    -----
    With `tares = "once"` a tare is known by sieve, balance and the value written down, so every
    run that reuses the reading shares its error.  Otherwise each run has a tare of its own.
    """
    once = weighings.study.tares is TareHandling.ONCE
    arrays = weighings.arrays
    shape = degrees_of_freedom if kind is Kind.STUDENT else 0.0
    result = ElementaryInputs(kind=kind)
    for row, run in enumerate(weighings.runs):
        u = u_g(weighings.balance(row))
        if u == 0:
            continue
        for place in np.flatnonzero(arrays.real[row]).tolist():
            sieve = arrays.sieves[row][place]
            written = repr(float(arrays.tare_g[row, place]))
            tare = ("tare", sieve, run.balance, written) if once else ("tare", sieve, run.name)
            gross = ("gross", sieve, run.name)
            for identity, sign in ((gross, 1.0), (tare, -1.0)):
                index = result.index(identity, shape=shape, degrees_of_freedom=degrees_of_freedom)
                result.on_mass.add(index, row, place, sign * u)
    return result
