"""One line of progress with the time left, on a terminal's standard error.

It appears after a second of work and is removed when the work is done; it uses no escape codes.
"""

from __future__ import annotations

import shutil
import sys
import time
from collections.abc import Callable, Mapping

__all__ = ["Progress", "ProgressLine"]

AFTER_S = 1.0
EVERY_S = 0.2

Progress = Callable[[int, int], None]
"""Called with what is done and what there is in all."""


class ProgressLine:
    """Progress through stages of known shares.

    Parameters
    ----------
    shares : mapping of str to float
        Stages in their order, with the share of the time that each usually takes.
    """

    def __init__(self, shares: Mapping[str, float]) -> None:
        whole = sum(shares.values())
        self._share = {name: share / whole for name, share in shares.items()}
        self._before = 0.0
        self._stage = ""
        self._start = time.monotonic()
        self._shown_at = 0.0
        self._width = 0

    def begin(self, stage: str) -> None:
        """Go on to a stage; those before it are done."""
        names = list(self._share)
        self._before = sum(self._share[name] for name in names[: names.index(stage)])
        self._stage = stage
        self._show(self._before, always=True)

    def update(self, done: int, total: int) -> None:
        """Show how much of the stage is done."""
        part = done / total if total else 1.0
        self._show(self._before + part * self._share[self._stage])

    def clear(self) -> None:
        """Remove the line."""
        if self._width:
            self._write("")
            sys.stderr.write("\r")
            sys.stderr.flush()

    def _show(self, share: float, *, always: bool = False) -> None:
        now = time.monotonic()
        waited = now - self._start
        if waited < AFTER_S or (now - self._shown_at < EVERY_S and not always):
            return
        self._shown_at = now
        left = f", about {waited * (1 - share) / share:.0f} s left" if share > 0 else ""
        self._write(f"{100 * share:.0f} % done{left} ({self._stage})")

    def _write(self, text: str) -> None:
        text = text[: shutil.get_terminal_size().columns - 1]
        sys.stderr.write("\r" + text.ljust(self._width))
        sys.stderr.flush()
        self._width = len(text)
