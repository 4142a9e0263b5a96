"""Memory that a piece of work will take, against what the machine has left."""

from __future__ import annotations

import os
from pathlib import Path

from psdstats.errors import UncertaintyError


def available_bytes() -> float:
    """Memory this process may still take; inf where the system does not tell."""
    found = [float("inf")]
    try:
        lines = Path("/proc/meminfo").read_text(encoding="ascii").splitlines()
        found += [1024 * float(one.split()[1]) for one in lines if one.startswith("MemAvailable")]
    except OSError:
        names = getattr(os, "sysconf_names", {})
        if "SC_AVPHYS_PAGES" in names:
            found.append(float(os.sysconf("SC_AVPHYS_PAGES") * os.sysconf("SC_PAGE_SIZE")))
    try:
        import resource

        most = resource.getrlimit(resource.RLIMIT_AS)[0]
        pages = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[0])
        if most != resource.RLIM_INFINITY:
            found.append(float(most - pages * os.sysconf("SC_PAGE_SIZE")))
    except (ImportError, OSError):
        pass
    return min(found)


def ensure_room(needed: float, work: str, *, remedy: str) -> None:
    """Refuse work that would not fit into memory, before it is begun.

    Parameters
    ----------
    needed : float
        Bytes it takes, estimated.
    work : str
        What it is, as the subject of a sentence.
    remedy : str
        What to do, as a clause.

    Raises
    ------
    UncertaintyError
        If more is needed than there is.
    """
    left = available_bytes()
    if needed > left:
        raise UncertaintyError(
            f"{work} would take about {needed / 1e9:.1f} GB of memory and {max(left, 0) / 1e9:.1f} "
            f"GB are free; {remedy}."
        )
