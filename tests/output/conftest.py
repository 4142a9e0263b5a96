"""Invented data for the figures and the report."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from matplotlib.axes import Axes

from psdstats.output.style import new_axes


@pytest.fixture
def ax() -> Axes:
    return new_axes()


@pytest.fixture
def undersize() -> pd.DataFrame:
    """Two benches at three times on five sieves and the pan."""
    apertures = np.array([0.0, 63.0, 125.0, 250.0, 500.0, 1000.0])
    frames = []
    for time, median in ((0.0, 300.0), (12.0, 200.0), (48.0, 120.0)):
        for group in ("Alder", "Birch"):
            share = apertures**2 / (apertures**2 + median**2)
            frames.append(
                pd.DataFrame(
                    {
                        "run": f"{group.lower()}-{time:g}",
                        "group": group,
                        "milling_time_min": time,
                        "aperture_um": apertures,
                        "undersize": share,
                        "lower": share * 0.98,
                        "upper": np.minimum(share * 1.02, 1.0),
                    }
                )
            )
    return pd.concat(frames, ignore_index=True)


@pytest.fixture
def sizes() -> pd.DataFrame:
    """D50 and D10 of two benches; D10 at 48 min is below the finest sieve."""
    rows = []
    for group, factor in (("Alder", 1.0), ("Birch", 1.1)):
        for time, d50 in ((0.0, 300.0), (12.0, 200.0), (48.0, 120.0)):
            for quantity, part in (("D50", 1.0), ("D10", 0.4)):
                value = d50 * part * factor
                side = "<" if value < 60 else ""
                value = 63.0 if side else value
                rows.append((time, quantity, group, value, side))
    frame = pd.DataFrame(rows, columns=["milling_time_min", "quantity", "group", "value", "side"])
    closed = frame["side"] == ""
    return frame.assign(
        lower=(frame["value"] * 0.9).where(closed), upper=(frame["value"] * 1.2).where(closed)
    )


@pytest.fixture
def ratios() -> pd.DataFrame:
    """One contrast for each verdict, and one with an open interval."""
    nan, inf = float("nan"), float("inf")
    return pd.DataFrame(
        [
            ("12 min against 0 min", 0.70, 0.65, 0.76, "changed"),
            ("48 min against 12 min", 0.95, 0.88, 1.03, "not shown"),
            ("ball ratio 10 against 5", 1.01, 0.98, 1.04, "equivalent"),
            ("Birch against Alder", nan, nan, nan, "cannot be told"),
            ("48 min against 0 min", 0.60, -inf, 0.71, "changed"),
        ],
        columns=["contrast", "ratio", "ratio_lower", "ratio_upper", "verdict"],
    )


@pytest.fixture
def shares() -> pd.DataFrame:
    """Three sources of two quantities, the balance named last; u is 2 % and 4 %."""
    frame = pd.DataFrame(
        [
            ("D50", "aperture", 0.5),
            ("D50", "sampling", 0.2),
            ("D50", "balance rounding", 0.05),
            ("D50", "balance repeatability", 0.25),
            ("D10", "aperture", 0.1),
            ("D10", "sampling", 0.6),
            ("D10", "balance rounding", 0.1),
            ("D10", "balance repeatability", 0.2),
        ],
        columns=["label", "source", "share"],
    )
    u_percent = frame["label"].map({"D50": 2.0, "D10": 4.0}) * np.sqrt(frame["share"])
    limited = frame["source"].str.startswith("balance")
    return frame.assign(u_percent=u_percent, balance_limited=limited)
