"""Between the sieves: what the undersize curve may do where no sieve shows it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import ClassVar

from psdstats.study.records import Study
from psdstats.uncertainty.inputs import ElementaryInputs, Source, Weighings


@dataclass(frozen=True)
class BetweenSieves(Source):
    """What the law of the undersize curves leaves open between and around their points.

    It acts on ln D10, ln D50 and ln D90 directly and is shared by runs as far as their sieves fall
    alike on one curve: fully by replicates on one stack.  A size by a prescribed rule has none.

    Source: own law (`psdstats.distribution.powder_curve`); how well it holds the sizes of powders
    is measured in tests/calibration/results/powder_coverage.md.
    """

    name: ClassVar[str] = "between_sieves"
    order: ClassVar[int] = 7

    @classmethod
    def on_by_default(cls, study: Study) -> bool:
        """Whether the study asks for the powder's own sizes."""
        return study.rule is None

    def inputs(self, weighings: Weighings) -> Sequence[ElementaryInputs]:
        """What the curves of these runs leave open."""
        return weighings.left_open
