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
        """Whether the source counts where the study does not mention it."""
        return False

    @classmethod
    @abstractmethod
    def from_study(cls, study: Study) -> Self:
        """Take the parameters from the study; UncertaintyError names a missing key."""

    @abstractmethod
    def inputs(self, weighings: Weighings) -> Sequence[ElementaryInputs]:
        """Elementary inputs of this source for these weighings."""


def check_at_least_zero(name: str, value: float, place: str) -> None:
    """Refuse a parameter that is negative or not finite."""
    if not 0 <= value < float("inf"):
        raise UncertaintyError(f"{place}: {name} is {value!r}; give a number of 0 or more.")
