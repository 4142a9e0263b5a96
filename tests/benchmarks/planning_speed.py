"""Seconds for 2,000 simulated trials of 4 × 5 × 2 runs; target: under 10 s on two cores.

python tests/benchmarks/planning_speed.py
"""

import sys
import time

from psdstats.planning import Variation, power


def main():
    variation = Variation(
        run_percent=3, group_percent=5, group_time_percent=2, drift_percent=3, measurement_percent=1
    )
    power(variation, groups=2, times=3, replicates=2, trials=100)  # imports and first use
    for question in ("last against first", "each against first", "fallen by the end"):
        began = time.perf_counter()
        power(variation, groups=4, times=5, replicates=2, trials=2000, question=question).to_frame()
        sys.stdout.write(f"{question}: {time.perf_counter() - began:.2f} s\n")


if __name__ == "__main__":
    main()
