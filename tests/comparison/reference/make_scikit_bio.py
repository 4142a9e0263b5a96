"""Make scikit_bio.json: run with an environment that has scikit-bio (0.7.4 was used).

Inputs are simulated compositions (numpy default_rng(20)); outputs are scikit-bio's isometric
log-ratio coordinates, multiplicative replacement and PERMANOVA (9,999 permutations, seed 1).
"""

from __future__ import annotations

import json
import sys
from pathlib import Path

import numpy as np
from scipy.spatial.distance import pdist, squareform


def main() -> None:
    import skbio  # not needed to run the tests
    from skbio.stats.composition import ilr, multi_replace
    from skbio.stats.distance import DistanceMatrix, permanova

    rng = np.random.default_rng(20)
    sizes = {"a": 5, "b": 7, "c": 4}
    factor = [name for name, n in sizes.items() for _ in range(n)]
    centre = {"a": [2, 4, 3, 1, 0.2], "b": [2.4, 4, 2.7, 0.9, 0.2], "c": [3, 4, 2.4, 0.8, 0.1]}
    parts = np.array([rng.dirichlet(40 * np.array(centre[name])) for name in factor])
    holed = np.round(parts, 2)
    holed[3, 4] = holed[8, 4] = holed[8, 3] = 0.0
    holed /= holed.sum(axis=1, keepdims=True)
    points = ilr(parts)
    test = permanova(DistanceMatrix(squareform(pdist(points))), factor, permutations=9_999, seed=1)
    result = {
        "made_with": f"scikit-bio {skbio.__version__}",
        "factor": factor,
        "parts": parts.tolist(),
        "ilr": points.tolist(),
        "holed": holed.tolist(),
        "delta": 0.004,
        "replaced": np.asarray(multi_replace(holed, 0.004)).tolist(),
        "pseudo_f": float(test["test statistic"]),
        "p": float(test["p-value"]),
        "permutations": 9_999,
    }
    Path(sys.argv[1]).write_text(json.dumps(result, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
