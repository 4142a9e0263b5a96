"""What the commands say and write: results on standard output, progress and refusals on error.

No colour is used, so a pipe and a terminal get the same text and NO_COLOR has nothing to switch
off.  Control characters from a file are shown as U+FFFD, so that no file can steer the terminal.
One line of progress with the time left appears on a terminal after a second of work and is removed
when the work is done; it uses no escape codes.  `present` prints the page of a result, and writes
it.
"""

from __future__ import annotations

import argparse
import json as json_module
import os
import re
import shutil
import sys
import textwrap
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, TextIO

from psdstats import __version__

if TYPE_CHECKING:
    from psdstats.output.content import Page
    from psdstats.output.table import Table
    from psdstats.provenance import Traced

_PLAIN = {
    "─": "-", "−": "-", "–": "-", "…": "...", "≥": ">=", "≤": "<=", "→": "->", "×": "x", "±": "+-",
    "ν": "nu",
}  # fmt: skip
SCHEMA_VERSION = 1  # of the documents that --json prints: psdstats/output/schema.json
STREAM = Path("-")  # standard input, or output
SCREEN = 40  # lines that unasked output takes, where its nature allows
_FOOT = 4  # lines below the tables: what else there is
_UNIT = re.compile(r"(?<=\d) (?=(?:%|µm|min|mg|kg|g|s)(?!\w))")  # between a number and its unit
_TURNING = "\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069"  # direction of what follows
_CONTROL = re.compile(f"[\x00-\x08\x0b-\x1f\x7f-\x9f\ud800-\udfff{_TURNING}]")


class ReaderLeft(Exception):  # noqa: N818  # no error: as by `head`, enough was read
    """Nobody reads standard output any more."""


def drop(stream: TextIO) -> None:
    """Lead a stream that takes no more nowhere, so that the interpreter ends in peace."""
    with suppress(OSError):  # a stream in memory has no number
        null = os.open(os.devnull, os.O_WRONLY)
        os.dup2(null, stream.fileno())
        os.close(null)


@dataclass(frozen=True, kw_only=True)
class Asked:
    """A command as it was typed: its name, the options that numbers depend on, how to repeat it."""

    command: str = ""
    options: Mapping[str, Any] = field(default_factory=dict)
    repeat_with: str | None = None


class Console:
    """Where a command writes its words.

    Parameters
    ----------
    quiet : bool
        Print results only, no remarks and no progress.
    json : bool
        Print one JSON document instead of text.
    progress : bool
        Print progress as lines on standard error, in a pipe too.
    asked : Asked, optional
        The command and what was asked of it, for the record of where numbers come from.
    """

    def __init__(
        self,
        *,
        quiet: bool = False,
        json: bool = False,
        progress: bool = False,
        asked: Asked | None = None,
    ) -> None:
        self.quiet = quiet
        self.json = json
        self.lines_of_progress = progress
        self.asked = asked or Asked()
        self.study: Traced | None = None  # once it is read
        self._line: ProgressLine | None = None
        self._reader_left = False

    @property
    def width(self) -> int:
        """Columns available for a table."""
        return shutil.get_terminal_size((100, 24)).columns

    def say(self, text: str = "") -> None:
        """Print a result; nothing in JSON mode."""
        if not self.json:
            self._put(self._set(text, sys.stdout), sys.stdout)

    def verbatim(self, text: str) -> None:
        """Print lines as they stand (a table, a script); nothing in JSON mode."""
        if not self.json:
            self._put(_visible(text), sys.stdout)

    def remark(self, text: str = "") -> None:
        """Print a remark that --quiet leaves out."""
        if not self.quiet:
            self.say(text)

    def record(self) -> dict[str, object]:
        """Where the numbers of this command come from."""
        from psdstats.provenance import record

        own = self.asked
        seed, method = own.options.get("seed"), own.options.get("method")
        return record(
            self.study, seed=seed, method=method, options=own.options, command=own.repeat_with
        )

    def document(
        self, content: dict[str, Any], *, provenance: Mapping[str, object] | None = None
    ) -> None:
        """Print the JSON document, on one line, when --json was asked for."""
        if self.json:
            content = {
                "schema": f"{self.asked.command.replace(' ', '-')}/{SCHEMA_VERSION}",
                "psdstats": __version__,
                **content,
                "provenance": provenance or self.record(),
            }
            text = json_module.dumps(content, ensure_ascii=False, allow_nan=False)
            if not _encodes(text, sys.stdout):
                text = json_module.dumps(content, allow_nan=False)
            turned = {ord(sign): f"\\u{ord(sign):04x}" for sign in _TURNING}
            self._put(text.translate(turned), sys.stdout)

    def warn(self, text: str) -> None:
        """Print a warning on standard error, unless --quiet."""
        if not self.quiet:
            self.refuse(text)

    def refuse(self, text: str) -> None:
        """Print a refusal on standard error."""
        self._put(self._set(f"psdstats: {text}", sys.stderr), sys.stderr)

    def lines(self, text: str) -> list[str]:
        """A sentence as a terminal of this width shows it."""
        return self._broken(text).split("\n")

    def _set(self, text: str, stream: TextIO) -> str:
        """The text; on a terminal its sentences are broken between words, commands are not."""
        lines = _visible(text).split("\n")
        if stream.isatty():
            lines = [line if line.startswith(" ") else self._broken(line) for line in lines]
        return "\n".join(lines)

    def _broken(self, line: str) -> str:
        kept = _UNIT.sub("\u00a0", line)
        broken = textwrap.fill(
            kept,
            max(self.width, 40),
            subsequent_indent="  ",
            break_long_words=False,
            break_on_hyphens=False,
        )
        return broken if kept == line else broken.translate({0xA0: " "})

    def flush(self) -> None:
        """Push the text out; `ReaderLeft` where nobody takes it any more."""
        try:
            sys.stdout.flush()
        except BrokenPipeError:
            self._lose(sys.stdout)
        if self._reader_left:
            raise ReaderLeft

    def _put(self, text: str, stream: TextIO) -> None:
        """Print; work goes on where nobody reads, so that files are written all the same."""
        try:
            _print(text, stream)
        except OSError as cause:
            if stream is sys.stdout and not isinstance(cause, BrokenPipeError):
                raise
            self._lose(stream)

    def _lose(self, stream: TextIO) -> None:
        self._reader_left |= stream is sys.stdout
        drop(stream)

    @contextmanager
    def stages(self, shares: Mapping[str, float]) -> Iterator[None]:
        """Show progress through stages of the work: on a terminal only, and not with --quiet.

        Parameters
        ----------
        shares : mapping of str to float
            Stages in their order, with the share of the time that each usually takes; from them
            comes the time left.
        """
        if self.quiet or not (self.lines_of_progress or sys.stderr.isatty()):
            yield
            return
        self._line = ProgressLine(shares, as_lines=self.lines_of_progress)
        try:
            yield
        finally:
            self._line.clear()
            self._line = None

    def stage(self, name: str) -> Progress | None:
        """Go on to a stage of the work; its callback (done, total), or None."""
        self.begin(name)
        return None if self._line is None else self._line.update

    def begin(self, stage: str) -> None:
        """Go on to a stage of the work."""
        if self._line is not None:
            self._line.begin(stage)

    @contextmanager
    def progress(self, work: str) -> Iterator[Progress | None]:
        """Give a callback (done, total) for one stage, or None where nothing is shown."""
        if self._line is None:
            with self.stages({work: 1.0}):
                yield self.stage(work)
        else:
            yield self.stage(work)


def _visible(text: str) -> str:
    return _CONTROL.sub("\ufffd", text)


def _encodes(text: str, stream: TextIO) -> bool:
    """Whether the stream can take the text: an old code page has no minus sign, no line of dashes.

    A stream without an encoding takes everything.
    """
    try:
        text.encode(stream.encoding or "utf-8")
    except UnicodeEncodeError:
        return False
    return True


def _print(text: str, stream: TextIO) -> None:
    """Print; on an old code page with the nearest signs it has, and ? for the others."""
    if not _encodes(text, stream):
        text = "".join(sign if _encodes(sign, stream) else _PLAIN.get(sign, "?") for sign in text)
    print(text, file=stream)


AFTER_S = 1.0
EVERY_S = 0.2
LINE_EVERY_S = 5.0

Progress = Callable[[int, int], None]
"""Called with what is done and what there is in all."""


class ProgressLine:
    """Progress through stages of known shares.

    Parameters
    ----------
    shares : mapping of str to float
        Stages in their order, with the share of the time that each usually takes.
    as_lines : bool
        A line for every state, not one that is written over.
    """

    def __init__(self, shares: Mapping[str, float], *, as_lines: bool = False) -> None:
        self._as_lines = as_lines
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
        every = LINE_EVERY_S if self._as_lines else EVERY_S
        if waited < AFTER_S and not self._as_lines:
            return
        if now - self._shown_at < every and not always:
            return
        self._shown_at = now
        left = f", about {waited * (1 - share) / share:.0f} s left" if share > 0 else ""
        self._write(f"{100 * share:.0f} % done{left} ({self._stage})")

    def _write(self, text: str) -> None:
        if self._as_lines:
            shown = f"psdstats: {text}\n"
        else:
            text = text[: shutil.get_terminal_size().columns - 1]
            shown, self._width = "\r" + text.ljust(self._width), len(text)
        try:
            sys.stderr.write(shown)
            sys.stderr.flush()
        except OSError:
            drop(sys.stderr)


def present(
    page: Page, options: argparse.Namespace, console: Console, *, files_alone: Sequence[str] = ()
) -> int:
    """Print a page as the options ask, write it where --out says; exit code 0.

    Tables of these names are left to the files.
    """
    if options.out == STREAM:
        tables = [one for one in page.tables if one.name not in files_alone]
        stream_table(tables, options, console)
        return 0
    if console.json:
        console.document(
            {
                "sentences": list(page.sentences),
                **{_name(one): records(one) for one in page.tables if one.name not in files_alone},
                "notes": list(page.notes),
                **({"cautions": list(page.cautions)} if page.cautions else {}),
            }
        )
    for sentence in page.sentences:
        console.say(sentence)
    shown = page.printed if options.all_tables else _on_one_screen(page, options, console)
    for table in shown:
        console.say()
        print_table(table, options, console)
    for caution in page.cautions:
        console.say(f"Caution: {caution}")
    left = [table.name for table in page.printed if table not in shown]
    if left or page.notes:
        console.remark()
    if left:
        console.remark(f"--all-tables prints also: {', '.join(left)}.")
    _say_notes(page.notes, options, console)
    write_result(page, options, console)
    return 0


def _on_one_screen(page: Page, options: argparse.Namespace, console: Console) -> tuple[Table, ...]:
    """The first table that has room on a screen, and those after it while they still have.

    Where none has, the first of all; none at all below sentences that fill most of the screen.
    """
    heights = [_text_of(one, options, console).count("\n") + 1 for one in page.first]
    room = SCREEN - _FOOT - sum(len(console.lines(one)) for one in page.sentences)
    if room < SCREEN / 2 and all(height > room for height in heights):
        return ()
    low = [height <= SCREEN - _FOOT for height in heights]
    shown: list[Table] = []
    for table, height, is_low in zip(page.first, heights, low, strict=True):
        room -= height
        if room >= 0 if shown else is_low or not any(low):
            shown.append(table)
    return tuple(shown)


def _say_notes(notes: Sequence[str], options: argparse.Namespace, console: Console) -> None:
    """Count the notes, or print them where that is asked for."""
    if options.all_notes:
        for note in notes:
            console.remark(f"Note: {note}")
    elif notes:
        are = "1 note says" if len(notes) == 1 else f"{len(notes)} notes say"
        console.remark(f"{are} what was assumed or left out: --all-notes prints them.")


def ensure_free(
    place: Path,
    *,
    replace: bool,
    holds: str | None = "results",
    remedy: str = ", or add --replace",
) -> None:
    """Refuse output that could not be written, before any work is done.

    It holds results or readings (a folder), or is a single file (None).
    """
    from psdstats.files import Holds, ensure

    ensure(place, None if holds is None else Holds(holds), replace=replace, remedy=remedy)


def print_table(
    table: Table,
    options: argparse.Namespace,
    console: Console,
) -> None:
    """Print a table no wider than the terminal."""
    console.verbatim(_text_of(table, options, console).rstrip("\n"))


def _text_of(table: Table, options: argparse.Namespace, console: Console) -> str:
    from psdstats.output.formats import to_terminal

    return to_terminal(table, options.say, width=console.width)


def records(table: Table) -> list[object]:
    """Rows of a table for JSON: full precision, None for what is missing or not finite."""
    from psdstats.provenance import plain

    return [plain(row) for row in table.rows()]


def _name(table: Table) -> str:
    """Name of a table in a document."""
    return table.key.replace("-", "_")


def stream_table(tables: Sequence[Table], options: argparse.Namespace, console: Console) -> None:
    """Print one table as CSV and nothing else: the one that --table names, or the first."""
    from psdstats.errors import OutputError
    from psdstats.output.formats import to_csv

    known = {_name(table): table for table in tables}
    wanted = next(iter(known), "") if options.table is None else options.table
    if wanted not in known:
        raise OutputError(f"There is no table {wanted!r}. Take one of {', '.join(known)}.")
    console.verbatim(to_csv(known[wanted], options.say).rstrip("\n"))


def write_result(page: Page, options: argparse.Namespace, console: Console) -> None:
    """Write tables, figures and texts (by file name) into --out, or say how to have them."""
    files = "tables and figures" if page.drawings else "tables"
    if options.out is None:
        console.remark(f"--out DIR writes the {files} as files.")
        return
    from psdstats import provenance
    from psdstats.files import write_folder_atomically
    from psdstats.output.bundle import write_drawings, write_tables

    def write(folder: Path) -> None:
        (folder / "tables").mkdir()
        write_tables(folder / "tables", page.tables, options.say)
        if page.drawings:
            (folder / "figures").mkdir()
            write_drawings(folder / "figures", page.drawings)
        for name, text in page.texts.items():
            (folder / name).write_text(text, encoding="utf-8", newline="")
        provenance.write(folder, console.record())

    target = write_folder_atomically(options.out, write, replace=options.replace)
    console.remark(f"Wrote {files} to {target}")
