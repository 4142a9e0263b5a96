"""What a source of uncertainty is: a name, a citation, parameters, and its elementary inputs.

To add a source, add one module to this folder with a subclass of `Source` in it; the registry in
`psdstats.uncertainty.registry` finds it.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Sequence
from typing import ClassVar, Self

from psdstats.errors import UncertaintyError
from psdstats.study.records import Study
from psdstats.uncertainty.inputs import ElementaryInputs, Weighings

__all__ = ["Source", "check_at_least_zero"]


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
    """Refuse a parameter that is negative or not finite.

    Raises
    ------
    UncertaintyError
        Naming the parameter, its place and the value.
    """
    if not 0 <= value < float("inf"):
        raise UncertaintyError(f"{place}: {name} is {value!r}; give a number of 0 or more.")
