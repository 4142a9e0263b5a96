"""Room that a piece of work takes: memory, against what there is; threads of linear algebra."""

from __future__ import annotations

import os
from collections.abc import Callable
from functools import cache, wraps
from pathlib import Path
from typing import Any, ParamSpec, TypeVar

from psdstats.errors import UncertaintyError

Given = ParamSpec("Given")
Made = TypeVar("Made")


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


@cache
def _libraries() -> Any:
    """The linear algebra libraries of this process."""
    from threadpoolctl import ThreadpoolController

    return ThreadpoolController()


def one_thread(function: Callable[Given, Made]) -> Callable[Given, Made]:
    """The function, with the linear algebra in it on one thread.

    On small matrices more threads only wait for each other, and the last bits depend on them.
    """

    @wraps(function)
    def alone(*args: Given.args, **kwargs: Given.kwargs) -> Made:
        with _libraries().limit(limits=1, user_api="blas"):
            return function(*args, **kwargs)

    return alone
