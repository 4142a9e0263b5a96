"""Type-I error of the parametric bootstrap in the designs whose F tests miss their level.

    python tests/calibration/bootstrap_level.py --out tests/calibration/results

takes the designs of `mixed_models.py` that carry a caution, simulates data sets without an effect
of time, and tests each by Kenward-Roger and by `bootstrap_test`, both at 5 %.
"""

import argparse
import operator
from functools import partial
from pathlib import Path

import numpy as np
import pandas as pd
from mixed_models import DATE, DESIGNS, build
from sharing import add_sharing, shared

from psdstats.models import MixedModel
from psdstats.models.resampling import bootstrap_test


def fits(design, n_sets, seed):
    """Fits of so many data sets without an effect, as a comparison makes them."""
    built = build(design)
    rng = np.random.default_rng(seed)
    noise = rng.standard_normal((n_sets, len(built.x))) @ np.linalg.cholesky(built.covariance).T
    frame = pd.DataFrame({"time": built.times, "group": [f"g{k}" for k in built.groups]})
    random = ["group"] if design.cell is None else ["group", ("group", "time")]
    for values in noise:
        yield MixedModel(
            frame.assign(y=values),
            response="y",
            fixed=["time"],
            random=random,
            factors=["time"],
            known_covariance=built.parts.known,
            boundary="free",
        ).fit()


def study(design, n_sets, draws, seed):
    """Rates of rejection of both tests on the same data sets; None without a caution."""
    p = []
    for number, fit in enumerate(fits(design, n_sets, seed)):
        if not fit.cautions:
            return None
        test = bootstrap_test(fit, "time", draws=draws, seed=number)
        p.append((fit.test("time").p, test.p))
    found = np.array(p)
    return {
        "design": design.name,
        "known_covariance": design.known,
        "variances": ", ".join(f"{v:g}" for v in design.variances),
        "kenward_roger_percent": 100 * np.mean(found[:, 0] < 0.05),
        "bootstrap_percent": 100 * np.mean(found[:, 1] <= 0.05),
    }


def write(table, asked):
    error = 100 * np.sqrt(0.05 * 0.95 / asked.data_sets)
    asked.out.mkdir(parents=True, exist_ok=True)
    table.to_csv(asked.out / "bootstrap_level.csv", index=False, float_format="%.5g")
    lines = [
        f"| {row.design} | {row.known_covariance} | {row.variances} | "
        f"{row.kenward_roger_percent:.1f} | {row.bootstrap_percent:.1f} |"
        for row in table.itertuples(index=False)
    ]
    head = (
        "# Type-I error of the parametric bootstrap where F tests miss their level\n\n"
        f"Command: `python tests/calibration/bootstrap_level.py --data-sets {asked.data_sets} "
        f"--draws {asked.draws} --seed {asked.seed}`, {DATE}. Rejections at 5 % of data sets "
        "without an effect of time (both tests on the same ones), per cent; Monte Carlo error "
        f"{error:.1f} % (one standard error). Designs of mixed_models.md that carry a caution; "
        "variances of group, cell where there is one, and residual.\n\n"
        "| design | known covariance | variances | Kenward-Roger | bootstrap of the likelihood "
        "ratio |\n|---|---|---|---|---|\n"
    )
    text = head + "\n".join(lines) + "\n"
    (asked.out / "bootstrap_level.md").write_text(text, encoding="utf-8")


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--out", type=Path, default=Path("tests/calibration/results"))
    parser.add_argument("--data-sets", type=int, default=1000)
    parser.add_argument("--draws", type=int, default=199)
    parser.add_argument("--seed", type=int, default=20261125)
    add_sharing(parser)
    asked = parser.parse_args()
    tasks = [
        partial(study, design, asked.data_sets, asked.draws, asked.seed + number)
        for number, design in enumerate(DESIGNS)
    ]
    rows = shared(asked)(operator.call, tasks)
    write(pd.DataFrame([row for row in rows if row is not None]), asked)


if __name__ == "__main__":
    main()
