"""How draws are made, apart from what is drawn: seed, number, accuracy, who makes them."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

from psdstats.uncertainty.blocks import BlockSummary
from psdstats.uncertainty.options import blocks_of, digits_for, fewest_blocks, whole_number
from psdstats.uncertainty.plan import make_plan
from psdstats.uncertainty.size_blocks import summarise_sizes
from psdstats.uncertainty.study_blocks import Summarise, study_blocks

if TYPE_CHECKING:
    from psdstats.uncertainty.engine import Prepared

__all__ = ["Drawing"]


@dataclass(frozen=True, kw_only=True)
class Drawing:
    """The options of a Monte Carlo run, as `propagate` describes them.

    Parameters
    ----------
    seed : int
        Seed of the random streams.
    coverage : float
        Coverage probability, 0 to 1.
    draws : int or None
        Number of draws; adaptive if None.
    max_draws : int
        Most draws of the adaptive method.
    digits : int or None
        Significant digits of u asked for; by the number of results if None.
    workers : int
        Processes.
    cluster : str or None
        Address of a Dask scheduler.
    chunk : int
        Draws worked on at a time.
    progress : callable or None
        Called with (blocks done, most blocks).
    """

    seed: int
    coverage: float
    draws: int | None
    max_draws: int
    digits: int | None
    workers: int
    cluster: str | None
    chunk: int
    progress: Callable[[int, int], None] | None

    def digits_for(self, results: int) -> int:
        """Significant digits of u for so many results (runs, pairs)."""
        return digits_for(self.digits, results)

    def fewest_blocks(self, results: int) -> int:
        """Blocks made before the test of stopping; all of them where the draws are numbered."""
        if self.draws is None:
            return fewest_blocks(self.digits_for(results))
        return blocks_of(self.draws, self.max_draws, self.coverage)[1]

    def blocks(
        self, ready: Prepared, summarise: Summarise = summarise_sizes
    ) -> Iterator[BlockSummary]:
        """Summaries of the blocks of draws of a prepared study, in order.

        Raises
        ------
        UncertaintyError
            If a number is not a whole number of 1 or more.
        """
        plan = make_plan(
            ready.table,
            ready.arrays,
            rule=ready.sizes.rule,
            seed=self.seed,
            coverage=self.coverage,
            chunk=whole_number("chunk", self.chunk),
        )
        size, most = blocks_of(self.draws, self.max_draws, self.coverage)
        return study_blocks(
            plan,
            block_draws=size,
            max_blocks=most,
            summarise=summarise,
            workers=whole_number("workers", self.workers),
            cluster=self.cluster,
            progress=self.progress,
        )
