"""What the commands say: results on standard output, progress and refusals on standard error.

No colour is used, so a pipe and a terminal get the same text.  Control characters from a file are
shown as U+FFFD, so that no file can steer the terminal.  Progress is a single line that is shown
only on a terminal, only after a second, and removed when the work is done.
"""

from __future__ import annotations

import json as json_module
import re
import shutil
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

__all__ = ["Console"]

PROGRESS_AFTER_S = 1.0
PROGRESS_EVERY_S = 0.2
_CONTROL = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\ud800-\udfff]")


class Console:
    """Where a command writes its words.

    Parameters
    ----------
    quiet : bool
        Print results only, no remarks and no progress.
    json : bool
        Print one JSON document instead of text.
    """

    def __init__(self, *, quiet: bool = False, json: bool = False) -> None:
        self.quiet = quiet
        self.json = json

    @property
    def width(self) -> int:
        """Columns available for a table."""
        return shutil.get_terminal_size((100, 24)).columns

    def say(self, text: str = "") -> None:
        """Print a result; nothing in JSON mode."""
        if not self.json:
            print(_visible(text))

    def remark(self, text: str) -> None:
        """Print a remark that --quiet leaves out."""
        if not (self.quiet or self.json):
            print(_visible(text))

    def document(self, content: dict[str, Any]) -> None:
        """Print the JSON document when --json was asked for."""
        if self.json:
            print(json_module.dumps(content, indent=2, ensure_ascii=False, allow_nan=False))

    def warn(self, text: str) -> None:
        """Print a warning on standard error, unless --quiet."""
        if not self.quiet:
            print(f"psdstats: {_visible(text)}", file=sys.stderr)

    def refuse(self, text: str) -> None:
        """Print a refusal on standard error."""
        print(f"psdstats: {_visible(text)}", file=sys.stderr)

    def flush(self) -> None:
        """Push the text out, so that a closed pipe is noticed here."""
        sys.stdout.flush()

    @contextmanager
    def progress(self, work: str) -> Iterator[Callable[[int, int], None] | None]:
        """Give a callback (done, total) that shows progress, or None where it would disturb."""
        if self.quiet or not sys.stderr.isatty():
            yield None
            return
        line = _ProgressLine(work)
        try:
            yield line.update
        finally:
            line.clear()


def _visible(text: str) -> str:
    return _CONTROL.sub("\ufffd", text)


class _ProgressLine:
    def __init__(self, work: str) -> None:
        self.work = work
        self.start = time.monotonic()
        self.shown = 0.0

    def update(self, done: int, total: int) -> None:
        now = time.monotonic()
        waited = now - self.start
        if waited < PROGRESS_AFTER_S or now - self.shown < PROGRESS_EVERY_S:
            return
        self.shown = now
        left = waited * (total - done) / done if done else 0.0
        sys.stderr.write(f"\r{self.work}: {done} of {total}, about {left:.0f} s left \x1b[K")
        sys.stderr.flush()

    def clear(self) -> None:
        if self.shown:
            sys.stderr.write("\r\x1b[K")
            sys.stderr.flush()
