"""Write the 50 random designs that are compared with R (``designs.csv``); run once.

Invented numbers: unbalanced, crossed and nested groupings, missing rows, slopes.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd

KINDS = ("group", "nested", "crossed", "interaction", "slope", "correlated")


def one(number: int) -> pd.DataFrame:
    """Rows of one design."""
    rng = np.random.default_rng(number)
    kind = KINDS[number % len(KINDS)]
    groups, times = int(rng.integers(4, 7)), int(rng.integers(3, 6))
    replicates = 2 if kind in ("nested", "interaction") else int(rng.integers(1, 3))
    grid = np.array(np.meshgrid(np.arange(groups), np.arange(times), np.arange(replicates)))
    group, time, replicate = grid.reshape(3, -1)
    n = len(group)
    day = (group + replicate + rng.integers(0, 3, n)) % 4
    ball = (group + time + replicate) % 2
    group_effect, day_effect = rng.normal(0, 1.5, groups), rng.normal(0, 1, 4)
    cell_effect, slope = rng.normal(0, 0.8, (groups, times)), rng.normal(0, 0.5, groups)
    y = 5 - 0.4 * time + 0.2 * ball + group_effect[group] + rng.normal(0, 0.5, n)
    if kind == "nested":
        y = y + cell_effect[group, time]
    if kind == "crossed":
        y = y + day_effect[day]
    if kind in ("slope", "correlated"):
        y = y + slope[group] * time
    frame = pd.DataFrame(
        {
            "design": number,
            "kind": kind,
            "group": [f"g{k}" for k in group],
            "time": time,
            "day": [f"d{k}" for k in day],
            "ball": [f"b{k}" for k in ball],
            "y": y.round(4),
        }
    )
    return frame.iloc[np.sort(rng.permutation(n)[: n - int(0.2 * n)])]


if __name__ == "__main__":
    table = pd.concat([one(number) for number in range(50)], ignore_index=True)
    table.to_csv(Path(__file__).with_name("designs.csv"), index=False)
