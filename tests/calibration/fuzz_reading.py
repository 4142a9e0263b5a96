"""Reading 20,000 damaged studies: only a PsdstatsError or a valid study may come out.

    python tests/calibration/fuzz_reading.py --out tests/calibration/results

writes fuzz_reading.md.  The mutations are those of tests/study/test_fuzz.py.
"""

import argparse
import importlib.util
import tempfile
import time
import warnings
from pathlib import Path

_PATH = Path(__file__).parents[1] / "study" / "test_fuzz.py"
_spec = importlib.util.spec_from_file_location("test_fuzz", _PATH)
fuzzing = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(fuzzing)


def main():
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--number", type=int, default=20_000)
    parser.add_argument("--seed", type=int, default=20261125)
    options = parser.parse_args()
    warnings.simplefilter("error")
    start = time.perf_counter()
    with tempfile.TemporaryDirectory() as folder:
        read = fuzzing.fuzz(options.number, options.seed, Path(folder))
    options.out.mkdir(parents=True, exist_ok=True)
    text = (
        "# Reading damaged studies\n\n"
        f"{options.number} mutations of a sound study (folder, flat CSV, workbook): {read} were "
        f"still a valid study, {options.number - read} ended in a PsdstatsError, none in anything "
        "else (another outcome ends the run).\n\n"
        "Command: `python tests/calibration/fuzz_reading.py --out tests/calibration/results "
        f"--number {options.number} --seed {options.seed}`; 2026-11-25; "
        f"{time.perf_counter() - start:.0f} s on one core.\n"
    )
    (options.out / "fuzz_reading.md").write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
