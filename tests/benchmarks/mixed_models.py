"""How long fits, tests and bootstraps of mixed models take.

    python tests/benchmarks/mixed_models.py

prints medians for designs of 15 and 32 rows on one core, beside statsmodels' refits and, where
Rscript with pbkrtest is present, R's parametric bootstrap.
"""

from __future__ import annotations

import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd

from psdstats.models import MixedModel, MixedModelFit
from psdstats.models.resampling import bootstrap_test

R_SCRIPT = """
suppressMessages({{library(lme4); library(pbkrtest)}})
d <- read.csv("{path}", stringsAsFactors = TRUE); d$time <- factor(d$time)
large <- lmer(y ~ time + (1 | group), d, REML = FALSE)
small <- lmer(y ~ 1 + (1 | group), d, REML = FALSE)
t <- system.time(PBmodcomp(large, small, nsim = {draws}, seed = 1))
cat(t["elapsed"])
"""


def trial(groups: int, times: int, replicates: int = 1) -> pd.DataFrame:
    """An invented trial."""
    rng = np.random.default_rng(1)
    group = np.repeat(np.arange(groups), times * replicates)
    t = np.tile(np.repeat(np.arange(times), replicates), groups)
    y = 60 - 0.5 * t + rng.normal(0, 2, groups)[group] + rng.normal(0, 0.5, len(t))
    return pd.DataFrame({"y": y, "time": t, "group": [f"g{k}" for k in group]})


ROWS_15 = trial(3, 5)
ROWS_32 = trial(4, 4, 2)


def fit(frame: pd.DataFrame, *, cells: bool = False) -> MixedModelFit:
    """Group intercepts, and time-by-group cells if asked."""
    random = ["group", ("group", "time")] if cells else ["group"]
    return MixedModel(frame, response="y", fixed=["time"], random=random, factors=["time"]).fit()


def fit_and_table(frame: pd.DataFrame, *, cells: bool = False) -> pd.DataFrame:
    """One fit with its Kenward-Roger table."""
    return fit(frame, cells=cells).to_frame()


def statsmodels_fit(frame: pd.DataFrame) -> object:
    """One fit of the model with group intercepts by statsmodels."""
    from statsmodels.formula.api import mixedlm

    return mixedlm("y ~ C(time)", frame, groups="group").fit(reml=False)


def median_seconds(run: Callable[[], object], repeats: int = 7) -> float:
    """Median duration after one run to warm up."""
    run()
    taken = []
    for _ in range(repeats):
        start = time.perf_counter()
        run()
        taken.append(time.perf_counter() - start)
    return float(np.median(taken))


def r_bootstrap_seconds(frame: pd.DataFrame, draws: int) -> float | None:
    """Duration of pbkrtest's bootstrap without starting R, or None where R is not present."""
    if shutil.which("Rscript") is None:
        return None
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "trial.csv"
        frame.to_csv(path, index=False)
        script = Path(folder) / "boot.R"
        script.write_text(R_SCRIPT.format(path=path, draws=draws))
        found = subprocess.run(
            ["Rscript", str(script)],
            capture_output=True,
            text=True,
            check=False,
        )
    return float(found.stdout) if found.returncode == 0 else None


def main() -> None:
    """Print the table."""
    lines = []
    for name, frame, cells in (
        ("15 rows, group", ROWS_15, False),
        ("32 rows, group", ROWS_32, False),
        ("32 rows, group and cells", ROWS_32, True),
        ("31 rows (incomplete), group and cells", ROWS_32.iloc[1:], True),
    ):
        single = median_seconds(lambda f=frame, c=cells: fit_and_table(f, cells=c))
        fitted = fit(frame, cells=cells)
        boot = median_seconds(lambda m=fitted: bootstrap_test(m, "time", 1000, 1), 3)
        lines.append(f"{name}: fit and table {1e3 * single:.2f} ms, 1,000 ratios {boot:.2f} s")
    for name, frame in (("15 rows", ROWS_15), ("32 rows", ROWS_32)):
        other = 1e3 * median_seconds(lambda f=frame: statsmodels_fit(f))
        found = r_bootstrap_seconds(frame, 1000)
        in_r = "not present" if found is None else f"{found:.1f} s"
        lines.append(f"{name}: statsmodels, one fit {other:.1f} ms; pbkrtest, 1,000 ratios {in_r}")
    sys.stdout.write("\n".join(lines) + "\n")


if __name__ == "__main__":
    main()
