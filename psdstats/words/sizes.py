"""Sizes, their uncertainty and its budget in words: sentences, notes, captions.

Sizes in µm, masses in g; uncertainties in per cent where a sentence says so.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from psdstats.distribution.arrays import WeighingRemark
from psdstats.findings import Remark
from psdstats.uncertainty.inputs import SourceRemark
from psdstats.uncertainty.propagation import PropagationRemark
from psdstats.words.numbers import PLAIN, Numerals
from psdstats.words.remarks import sentence

_LISTED = 10  # apertures whose tolerances a note lists; of more it gives the range


def notes_in_words(notes: Iterable[Remark | str], say: Numerals = PLAIN) -> tuple[str, ...]:
    """Remarks as sentences; text somebody wrote into the study stays as it is."""
    return tuple(one if isinstance(one, str) else sentence(one, say) for one in notes)


def _negative_net(say: Numerals, found: Sequence[tuple[float, str, str]], more: int) -> str:
    told = "; ".join(f"{say(net_g, '.2g')} g on {sieve} in {run}" for net_g, sieve, run in found)
    rest = f" and {more} more" if more else ""
    return (
        f"Net masses less than nothing: {told}{rest}. Sizes are taken where the undersize curve "
        "first reaches each level."
    )


def _tolerance_used(
    say: Numerals, standard: str, half_widths_um: Sequence[tuple[float, float]], sieves: int
) -> str:
    each = [f"{say(width, '.2g')} at {say(um)} µm" for um, width in half_widths_um]
    listed = ", ".join(each) if len(each) <= _LISTED else f"{each[0]} to {each[-1]}"
    return (
        f"{sieves} sieve{'s have' if sieves > 1 else ' has'} no stated aperture uncertainty; the "
        f"tolerance of {standard} on the average aperture is used (±µm: {listed})."
    )


def _no_repeatability(say: Numerals, balance: str) -> str:  # noqa: ARG001
    return f"Balance {balance!r} declares no repeatability_g; only its rounding is counted."


def _no_sample_mass(say: Numerals, runs: Sequence[str]) -> str:  # noqa: ARG001
    return f"No sample_mass_g is stated for {', '.join(runs)}; a loss there is not counted."


def _loss_halved(say: Numerals, runs: int, least_g: float, most_g: float) -> str:
    span = f"{say(least_g, '.2g')} g" + (f" to {say(most_g, '.2g')} g" if runs > 1 else "")
    return (
        f"Powder was lost in {runs} run{'s' if runs > 1 else ''} ({span}); half of each loss is "
        "added to the pan as the expected value."
    )


def _empty_pan(say: Numerals, runs: Sequence[str]) -> str:  # noqa: ARG001
    return (
        f"Powder was lost in {', '.join(runs)}, where the pan was found empty and can have held "
        "little: half of that is added to it, the rest is taken from every class in proportion."
    )


def _linear_doubtful(say: Numerals, run: str, quantity: str) -> str:  # noqa: ARG001
    return (
        f"Run {run!r}: the linear interval of {quantity} is doubtful (it leaves the sieves, or the "
        "class that holds it is nearly empty); use Monte Carlo."
    )


def _beyond_sieves(say: Numerals, run: str, quantity: str, share: float) -> str:
    return (
        f"Run {run!r}: {say(100 * share, '.2g')} % of the draws of {quantity} lie beyond the "
        "sieves; its u is that of the others."
    )


def _not_settled(say: Numerals, draws: int, digits: int) -> str:  # noqa: ARG001
    return (
        f"{draws} draws did not settle every result to {digits} significant digits of its "
        "uncertainty; allow more draws, or ask for one digit."
    )


def _ratio_doubtful(say: Numerals, run: str, quantity: str) -> str:  # noqa: ARG001
    return (
        f"Run {run!r}: the linear interval of {quantity} is doubtful, and so are those of its "
        "ratios; use Monte Carlo."
    )


def _ratio_beyond(
    say: Numerals, quantity: str, high: Sequence[str], low: Sequence[str], share: float
) -> str:
    above, below = (", ".join(map(repr, side)) for side in (high, low))
    return (
        f"{quantity} of {above} over {below}: {say(100 * share, '.2g')} % of the draws are not "
        "bracketed by the sieves; its u_log is that of the others."
    )


REMARKS = {
    WeighingRemark.NEGATIVE_NET: _negative_net,
    SourceRemark.TOLERANCE_USED: _tolerance_used,
    SourceRemark.NO_REPEATABILITY: _no_repeatability,
    SourceRemark.NO_SAMPLE_MASS: _no_sample_mass,
    SourceRemark.LOSS_HALVED: _loss_halved,
    SourceRemark.EMPTY_PAN: _empty_pan,
    PropagationRemark.LINEAR_DOUBTFUL: _linear_doubtful,
    PropagationRemark.BEYOND_SIEVES: _beyond_sieves,
    PropagationRemark.NOT_SETTLED: _not_settled,
    PropagationRemark.RATIO_DOUBTFUL: _ratio_doubtful,
    PropagationRemark.RATIO_BEYOND_SIEVES: _ratio_beyond,
}
