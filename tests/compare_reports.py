"""Compare the numbers in the CSV tables of two report folders, cell by cell.

usage: python tests/compare_reports.py OLD NEW [--relative 1e-10]

Tables are matched by name, rows by their place, cells by column.  Tables and columns that only one
report has are named; texts that differ are counted.  Exit code 1 where a number differs by more
than the given relative difference, or a table or row is missing.
"""

import argparse
import csv
import math
import sys
from pathlib import Path


def _rows(path):
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def _number(text):
    try:
        return float(text)
    except (TypeError, ValueError):
        return None


def differences(old, new, relative):
    """Lines that say where numbers differ, and how many numbers and texts were compared."""
    said, numbers, texts = [], 0, 0
    before, after = ({one.name: one for one in Path(p).rglob("*.csv")} for p in (old, new))
    said += [f"{name}: only in one report" for name in sorted(before.keys() ^ after.keys())]
    for name in sorted(before.keys() & after.keys()):
        first, second = _rows(before[name]), _rows(after[name])
        if len(first) != len(second):
            said.append(f"{name}: {len(first)} rows and {len(second)}")
            continue
        for place, (own, other) in enumerate(zip(first, second, strict=True)):
            for column in own.keys() & other.keys():
                a, b = _number(own[column]), _number(other[column])
                if a is None or b is None:
                    texts += own[column] != other[column]
                    continue
                numbers += 1
                if not (math.isclose(a, b, rel_tol=relative) or (math.isnan(a) and math.isnan(b))):
                    said.append(f"{name}, row {place}, {column}: {a!r} and {b!r}")
    return said, numbers, texts


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("old")
    parser.add_argument("new")
    parser.add_argument("--relative", type=float, default=1e-10)
    given = parser.parse_args()
    found, compared, changed = differences(given.old, given.new, given.relative)
    sys.stdout.write("\n".join(found) + ("\n" if found else ""))
    sys.stdout.write(f"{compared} numbers compared, {changed} texts differ\n")
    sys.exit(bool(found))
