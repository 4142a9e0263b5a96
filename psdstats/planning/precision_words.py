"""What the simulation of a precision plan says, as sentences."""

from __future__ import annotations

from collections.abc import Hashable, Mapping

import pandas as pd

ERRORS_ALLOWED = 3.0  # Monte Carlo standard errors; cases share stacks, so they are about one test


def reached_sentences(
    frame: pd.DataFrame, quantity: str, wanted: str, *, trials: int, seed: int
) -> list[str]:
    """Which of the balances and samples tried reach the wanted uncertainty, by the simulation."""
    lines = []
    for column, what in (("enough", quantity), ("enough_for_change", f"the change of {quantity}")):
        reached = [
            f"{d:g} g resolution from {least:g} g"
            for d, own in frame.groupby("resolution_g", sort=False)
            if (least := _least(own, column)) is not None
        ]
        by = f"with {', '.join(reached)}" if reached else "by none of these balances and samples"
        lines.append(f"In simulated samples, u({what}) of {wanted} is reached {by}.")
    stacks = f"{trials} stacks, two samples on each, for every resolution and sample mass"
    return [*lines, f"Simulated: {stacks}; seed {seed}."]


def _least(cells: pd.DataFrame, column: str) -> float | None:
    """Smallest sample that is enough, as all larger ones are; None where the largest is not."""
    least = None
    for row in cells.sort_values("sample_g", ascending=False).to_dict("records"):
        if not row[column]:
            break
        least = float(row["sample_g"])
    return least


def simulation_sentences(frame: pd.DataFrame, quantity: str) -> list[str]:
    """Whether the law is borne out, what interpolation does, which percentiles stay open."""
    lines = []
    for start, what in (("u", f"u({quantity})"), ("u_change", f"u(the change of {quantity})")):
        lines += _law_against_simulation(frame, start, what)
    miss = frame["interpolation_percent"].dropna()
    if len(miss):
        size = float(miss.iloc[miss.abs().to_numpy().argmax()])
        way = "large" if size > 0 else "small"
        lines.append(
            f"Interpolation between these sieves makes {quantity} {abs(size):.2g} % too {way}, in "
            "every run alike; it is not in u, and in a change it cancels as far as the curves are "
            "alike."
        )
    worst = max(frame.to_dict("records"), key=lambda cell: float(cell["share_open"]))
    if worst["share_open"] > 0:
        lines.append(
            f"The sieves leave {quantity} open in up to {100 * worst['share_open']:.3g} % of "
            f"samples ({_cell(worst)}); u is that of the others."
        )
    return lines


def _law_against_simulation(frame: pd.DataFrame, start: str, what: str) -> list[str]:
    columns = [f"{start}{middle}_percent" for middle in ("", "_error", "_law")]
    cells = frame.dropna(subset=columns).to_dict("records")
    if not cells:
        return [f"Too few simulated samples bracket it to tell {what}."]
    figures = [tuple(float(cell[name]) for name in columns) for cell in cells]
    apart = [
        (max(law / found, found / law), number)
        for number, (found, error, law) in enumerate(figures)
        if abs(found - law) > ERRORS_ALLOWED * error
    ]
    if not apart:
        return [_agreement(figures, what)]
    worst = max(apart)[1]
    found, error, law = figures[worst]
    return [
        f"The simulation does not bear the linear law out for {what} in {len(apart)} of "
        f"{len(cells)} cases: with {_cell(cells[worst])} the law gives {law:.3g} %, the simulation "
        f"{found:.3g} ± {error:.1g} %; go by the simulation, and take the samples above as a first "
        "guess."
    ]


def _agreement(figures: list[tuple[float, ...]], what: str) -> str:
    """How far apart law and simulation are at most, beside the error that the cases share."""
    furthest = 100 * max(abs(found / law - 1) for found, _, law in figures)
    error = 100 * max(error / law for _, error, law in figures)
    shared = ", much of it shared, since all cases use the same stacks" if len(figures) > 1 else ""
    return (
        f"The simulation agrees with the linear law for {what} within {furthest:.2g} % of it; the "
        f"Monte Carlo error is up to {error:.2g} %{shared}."
    )


def _cell(cell: Mapping[Hashable, float]) -> str:
    return f"{cell['resolution_g']:g} g resolution and {cell['sample_g']:g} g"
