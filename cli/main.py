"""The psdstats command: finds the subcommand, runs it, turns refusals into one sentence.

Exit codes: 0 done, 1 done with warnings (check), 2 refused, 3 a fault of psdstats itself, 130
stopped from the keyboard, 143 by SIGTERM.
"""

from __future__ import annotations

import argparse
import difflib
import gc
import os
import re
import shlex
import signal
import sys
from argparse import RawDescriptionHelpFormatter
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from importlib import import_module
from io import TextIOWrapper
from pathlib import Path
from typing import Any, NoReturn

from psdstats import __file__ as LIBRARY  # noqa: N812
from psdstats import __version__
from psdstats.errors import OutputError, PsdstatsError

from .console import STREAM, Asked, Console, ReaderLeft, drop, ensure_free
from .values import usable

RARE_COLLECTION = (50_000, 20, 20)  # drawing makes millions of small objects: 8 % less time
COMMANDS = (
    "demo",
    "sheet",
    "check",
    "convert",
    "sizes",
    "budget",
    "limit",
    "compare",
    "groups",
    "rate",
    "plan",
    "report",
    "collect",
    "completion",
)
ENDING = """\
exit codes:
  0    done
  1    done, and `check` found warnings
  2    refused, in one sentence on standard error; or `check` found errors
  3    psdstats itself failed; the line on standard error says what to report
  130  stopped with Ctrl-C, or 143 by SIGTERM; nothing is left half-written

start with: psdstats demo my-trial
more about one command: psdstats COMMAND --help"""


REFUSED, FAILED = 2, 3
EXIT_CODES = "exit codes: 0 done, 2 refused in one sentence, 130 stopped with Ctrl-C"


class CommandParser(argparse.ArgumentParser):
    """A parser that refuses in one sentence with the remedy, and takes no abbreviations."""

    example = "psdstats demo my-trial"

    def __init__(self, **settings: Any) -> None:
        super().__init__(**{"allow_abbrev": False, **settings})

    def parse_known_args(  # type: ignore[override]  # the namespace is never of another class here
        self, args: Sequence[str] | None = None, namespace: argparse.Namespace | None = None
    ) -> tuple[argparse.Namespace, list[str]]:
        """Parse; a word left over is refused here, where the options of the command are known."""
        found, left = super().parse_known_args(args, namespace)
        if left:
            self._refuse(self._unknown(left[0]))
        return found, left

    def _print_message(self, message: str, _: object = None) -> None:
        """Print help; argparse would not say that it cannot."""
        Console().verbatim(message.rstrip("\n"))

    def error(self, message: str) -> NoReturn:
        """Refuse with one sentence on standard error; exit code 2."""
        self._refuse(self._sentence(message.removeprefix("argument ")))

    def _refuse(self, sentence: str) -> NoReturn:
        Console().refuse(f"{sentence} See: {self.prog} --help")
        self.exit(REFUSED)

    def _unknown(self, word: str) -> str:
        name = word.partition("=")[0]
        command = self.prog.removeprefix("psdstats ")
        if not name.startswith("-"):
            return f"{command} has no use for {word!r}; a name with spaces is put in quotes."
        if command == "psdstats":
            return f"{name} is no option of psdstats itself; options follow the command."
        known = [each for action in self._actions for each in action.option_strings]
        return f"{command} has no option {name}{_nearest(name, known)}"

    def _sentence(self, message: str) -> str:
        """What argparse says, with what to do."""
        missing = message.removeprefix("the following arguments are required: ")
        if missing != message:
            return f"Give {missing}, as in: {self.example}."
        name, _, fault = message.partition(": ")
        if fault == "expected one argument":
            return f"{name} needs a value; one that begins with a minus sign is written {name}=-1."
        either = re.fullmatch(r"one of the arguments (.*) is required", message)
        if either:
            return f"Give one of {either[1].replace(' ', ', ')}, as in: {self.example}."
        return f"{message}."

    def _get_values(self, action: argparse.Action, arg_strings: list[str]) -> Any:
        """The values of an option; two hyphens alone are none, and argparse would take them."""
        if action.nargs is None and arg_strings == ["--"]:
            self._refuse(f"{_called(action)} cannot be --; give a value.")
        return super()._get_values(action, arg_strings)

    def _get_value(self, action: argparse.Action, arg_string: str) -> Any:
        """The value of a word; a choice of several words may be typed with hyphens."""
        fault = usable(arg_string)
        if fault and arg_string != action.default and action.nargs != argparse.PARSER:
            self._refuse(f"{_called(action)} {fault}.")
        value = super()._get_value(action, arg_string)
        spaced = str(value).replace("-", " ")
        choices = action.choices or ()
        return spaced if value not in choices and spaced in choices else value

    def _check_value(self, action: argparse.Action, value: object) -> None:
        """Refuse what is none of the choices; names the nearest, and all of them."""
        if action.choices is None or value in action.choices:
            return
        known = [str(choice) for choice in action.choices]
        name = _called(action)
        shown = ", ".join(each if each[0].isalnum() else repr(each) for each in known)
        nearest = _nearest(str(value), known)
        self._refuse(f"{name} cannot be {value}{nearest} It is one of {shown}.")


def _called(action: argparse.Action) -> str:
    return action.option_strings[0] if action.option_strings else str(action.metavar)


def add_command(
    commands: argparse._SubParsersAction[CommandParser], name: str, module: Any
) -> CommandParser:
    """Add the command of a module, or one plan: its summary, options, example and exit codes."""
    summary: str = module.SUMMARY
    command = commands.add_parser(
        name,
        help=summary,
        description=summary[0].upper() + summary[1:] + ".",
        epilog=f"example:\n  {module.EXAMPLE}\n\n{getattr(module, 'EXIT_CODES', EXIT_CODES)}",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    command.example = " ".join(module.EXAMPLE.replace("\\\n", "").split())
    module.add_arguments(command)
    if not hasattr(module, "PLANS"):
        command.add_argument(
            "--debug", action="store_true", help="show the whole trace of what ends the command"
        )
        command.set_defaults(parser=command)
    return command


def _nearest(word: str, known: Iterable[str]) -> str:
    """A question for the nearest known word; a full stop where none is near."""
    names = list(known)
    begun = [name for name in names if len(word) > 2 and name.startswith(word)]
    near = begun or difflib.get_close_matches(word, names, n=1)
    return f"; did you mean {near[0]}?" if near else "."


class _Schema(argparse.Action):
    """Print the published schema and leave."""

    def __call__(self, parser: argparse.ArgumentParser, *_: object) -> None:
        """As --version does."""
        from importlib.resources import files

        text = (files("psdstats.output") / "schema.json").read_text(encoding="utf-8")
        Console().verbatim(text.rstrip("\n"))
        parser.exit()


def build_parser(names: Iterable[str] = COMMANDS) -> CommandParser:
    """The parser of the command line, one subparser a command module: of all, or of those named."""
    parser = CommandParser(
        prog="psdstats",
        description="From sieve weighings of a milling trial to sizes with uncertainty,\n"
        "a verdict and a report.",
        epilog=ENDING,
        formatter_class=RawDescriptionHelpFormatter,
    )
    parser.add_argument("-V", "--version", action="version", version=f"psdstats {__version__}")
    parser.add_argument(
        "--schema",
        action=_Schema,
        nargs=0,
        default=argparse.SUPPRESS,
        help="print the JSON Schema of what --json prints",
    )
    commands = parser.add_subparsers(dest="command", metavar="COMMAND")
    for name in names:
        module = import_module(f".commands.{name}", __package__)
        add_command(commands, name, module).set_defaults(run=module.run)
    return parser


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command.

    Parameters
    ----------
    arguments : sequence of str, optional
        Words after the program name; those of the process when left out, which then ends by
        SIGTERM as by Ctrl-C: what was half-written is removed.

    Returns
    -------
    int
        Exit code: 0 done, 1 warnings, 2 refused, 3 psdstats itself failed, 130 stopped from the
        keyboard, 143 by SIGTERM.
    """
    words = sys.argv[1:] if arguments is None else arguments
    try:
        if arguments is None:
            _listen(_stop)
        _open_closed_streams()
        _survive_old_code_pages()
        gc.set_threshold(*RARE_COLLECTION)
        code = _run(words)
        if _received:  # a library has swallowed the interruption, and who knows what it did then
            raise KeyboardInterrupt
        Console().flush()
    except BaseException as end:  # the last resort: nothing leaves as a traceback
        import traceback  # not loaded where all goes well

        if arguments is None:
            _listen(signal.SIG_DFL)  # all is removed: once more ends it at once
            sys.unraisablehook = lambda _: None  # what is half made complains when it is dropped
        if "--debug" in words:
            traceback.print_exception(end)
        code = _ended(end, Console())
    finally:
        if arguments is None:
            _listen(signal.SIG_DFL)
    return code


def _run(words: Sequence[str]) -> int:
    # the options of the other commands are not wanted: half the time of a short command
    named = words[:1] if words and words[0] in COMMANDS else COMMANDS
    parser = build_parser(named)
    try:
        options = parser.parse_args(words)
    except SystemExit as stop:  # help was printed, or the call refused
        return int(stop.code or 0)
    if options.command is None:
        parser.print_help()
        return 0
    asked = _asked(words, options)
    if hasattr(options, "decimal"):
        from psdstats.words.numbers import Numerals  # loads numpy

        options.say = Numerals(options.decimal)
    _ensure_out(options)
    show = {name: getattr(options, name) for name in ("quiet", "json", "progress")}
    with _from_standard_input(options):
        code: int = options.run(options, Console(**show, asked=asked))
    return code


# what names no number: how it is shown, where it goes, how fast it comes
_NO_MATTER = {
    "command", "plan", "run", "make_plan", "parser", "holds", "streams", "study", "target", "out",
    "replace", "json", "quiet", "progress", "debug", "all_tables", "all_notes", "table", "workers",
    "cluster", "watch", "notes", "each",
}  # fmt: skip


def _asked(words: Sequence[str], options: argparse.Namespace) -> Asked:
    """What was asked, and the command that gives it again: files by what they stand for.

    Options that say what is so without them are left out of it.
    """
    known = {name: own for own in options.parser._actions for name in own.option_strings or ["-"]}
    places = {
        str(getattr(options, own.dest)): str(own.metavar)
        for own in options.parser._actions
        if own.type is Path and not own.option_strings
    }
    typed, left = ["psdstats"], list(words)
    while left:
        word = left.pop(0)
        flag, sign, _ = word.partition("=")
        own = known.get(flag) if flag != "-" else None
        if own is None:
            typed.append(places.get(word, word))
            continue
        pair = [word] if sign or own.nargs == 0 else [word, left.pop(0)]
        if own.type is Path:
            pair = [flag, str(own.metavar)]
        is_default = getattr(options, own.dest) == own.default
        typed += [] if is_default or own.dest in _NO_MATTER - {"study"} else pair
    plan = getattr(options, "plan", None)
    return Asked(
        command=options.command if plan is None else f"{options.command} {plan}",
        options={name: own for name, own in vars(options).items() if name not in _NO_MATTER},
        repeat_with=shlex.join(typed),
    )


def _ensure_out(options: argparse.Namespace) -> None:
    """Refuse output that could not be written, before any work is done."""
    out = getattr(options, "out", None)
    if out != STREAM:
        if getattr(options, "table", None) is not None:
            raise OutputError("--table goes with --out -, which prints that table as CSV; add it.")
        if out is not None:
            holds = getattr(options, "holds", "results")
            ensure_free(out, replace=options.replace, holds=holds)
    elif not getattr(options, "streams", False):
        raise OutputError(f"{options.command} writes a folder; name it, or leave --out out.")
    elif options.json:
        raise OutputError("--out - prints CSV, --json prints JSON; leave one of them out.")


@contextmanager
def _from_standard_input(options: argparse.Namespace) -> Iterator[None]:
    """Where a study is named -, a file that holds what comes on standard input."""
    options.study_named = str(getattr(options, "study", ""))
    if options.study_named != str(STREAM):
        yield
        return
    from tempfile import TemporaryDirectory

    if sys.stdin.isatty():
        raise OutputError("Nothing comes on standard input; lead a file into it, or name a study.")
    with TemporaryDirectory(prefix="psdstats-") as folder:
        content = sys.stdin.buffer.read()
        is_ods = b"opendocument" in content[:100]
        ending = ".ods" if is_ods else ".xlsx" if content.startswith(b"PK") else ".csv"
        options.study = Path(folder) / f"stdin{ending}"
        options.study.write_bytes(content)
        yield


_received: list[int] = []
"""Signals that came: what ended the command, whatever a library made of the interruption."""


def _stop(number: int, _: object) -> NoReturn:
    _received.append(number)
    raise KeyboardInterrupt


def _listen(handler: Any) -> None:
    """Set what a signal does that ends the process, except where it is to be ignored (nohup)."""
    for name in ("SIGINT", "SIGTERM", "SIGHUP"):
        number = getattr(signal, name, None)
        if number is not None and signal.getsignal(number) is not signal.SIG_IGN:
            signal.signal(number, handler)


def _ended(end: BaseException, console: Console) -> int:
    """Say in a sentence why the command ended; gives the exit code."""
    code, said = REFUSED, ""
    if _received or isinstance(end, KeyboardInterrupt):
        by = _received[0] if _received else signal.SIGINT
        how = "from the keyboard" if by == signal.SIGINT else f"by {signal.Signals(by).name}"
        code, said = 128 + by, f"Stopped {how}; nothing was half-written."
    elif isinstance(end, PsdstatsError):
        said = str(end)
    elif isinstance(end, ReaderLeft):
        code = 0
    elif isinstance(end, OSError):
        where = end.filename or "The output"
        said = (
            f"{where} cannot be read or written: {end.strerror or end}. "
            "Make room, or choose a place that you may use."
        )
    elif isinstance(end, MemoryError):
        said = (
            "The work needs more memory than this machine gives. "
            "Ask for fewer draws, or for a part of the study."
        )
    else:
        code, said = FAILED, _own_fault(end)
    if said:
        console.refuse(said)
    try:
        sys.stdout.flush()
    except OSError:
        drop(sys.stdout)
    return code


def _own_fault(fault: BaseException) -> str:
    """What to report where psdstats did not foresee what happened."""
    import traceback

    homes = [Path(__file__).parent, Path(LIBRARY).parent]
    frames = traceback.extract_tb(fault.__traceback__)
    own = [one for one in frames if {*homes} & {*Path(one.filename).parents}]
    where = f" at {Path(own[-1].filename).name}, line {own[-1].lineno}" if own else ""
    said = " ".join(str(fault).split())[:200]
    return (
        f"psdstats itself failed{where} ({type(fault).__name__}: {said}); nothing was "
        f"half-written. Please report this line with the command typed (version {__version__}); "
        "the same command with --debug shows all of it."
    )


def _open_closed_streams() -> None:
    """Lead closed streams nowhere, so that no file that is opened gets the number of one."""
    free = os.open(os.devnull, os.O_RDWR)
    while free <= 2:
        free = os.open(os.devnull, os.O_RDWR)
    os.close(free)
    for number, name in enumerate(("stdin", "stdout", "stderr")):
        if getattr(sys, name) is None:
            mode = "w" if number else "r"
            setattr(sys, name, open(number, mode, encoding="utf-8", closefd=False))  # noqa: SIM115


def _survive_old_code_pages() -> None:
    """Let the help print ? for a sign that the terminal's encoding does not have."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, TextIOWrapper) and not stream.encoding.lower().startswith("utf"):
            stream.reconfigure(errors="replace")
