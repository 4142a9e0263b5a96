"""The psdstats command: finds the subcommand, runs it, turns refusals into one sentence.

Exit codes: 0 done, 1 done with warnings (check), 2 refused, 130 stopped from the keyboard.
"""

from __future__ import annotations

import argparse
import difflib
import gc
import os
import re
import sys
from argparse import RawDescriptionHelpFormatter
from collections.abc import Iterable, Sequence
from importlib import import_module
from io import TextIOWrapper
from types import ModuleType
from typing import Any, NoReturn

from psdstats import __version__
from psdstats.errors import PsdstatsError

from .console import Console, ensure_free

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
    "completion",
)
STOPPED = 130
ENDING = """\
exit codes:
  0    done
  1    done, and `check` found warnings
  2    refused, in one sentence on standard error; or `check` found errors
  130  stopped with Ctrl-C; nothing is left half-written

start with: psdstats demo my-trial
more about one command: psdstats COMMAND --help"""


REFUSED = 2
EXIT_CODES = "exit codes: 0 done, 2 refused in one sentence, 130 stopped with Ctrl-C"

_KINDS = {"int": "a whole number", "float": "a number"}


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
        wrong = re.fullmatch(r"invalid (int|float) value: '(.*)'", fault)
        if wrong:
            return f"{name} cannot be {wrong[2]}; give {_KINDS[wrong[1]]}."
        return f"{message}."

    def _get_value(self, action: argparse.Action, arg_string: str) -> Any:
        """The value of a word; a choice of several words may be typed with hyphens."""
        value = super()._get_value(action, arg_string)
        spaced = str(value).replace("-", " ")
        choices = action.choices or ()
        return spaced if value not in choices and spaced in choices else value

    def _check_value(self, action: argparse.Action, value: object) -> None:
        """Refuse what is none of the choices; names the nearest, and all of them."""
        if action.choices is None or value in action.choices:
            return
        known = [str(choice) for choice in action.choices]
        name = action.option_strings[0] if action.option_strings else str(action.metavar)
        shown = ", ".join(each if each[0].isalnum() else repr(each) for each in known)
        nearest = _nearest(str(value), known)
        self._refuse(f"{name} cannot be {value}{nearest} It is one of {shown}.")


def add_command(
    commands: argparse._SubParsersAction[CommandParser], name: str, module: ModuleType
) -> CommandParser:
    """Add the command of a module: its summary, options, example and exit codes."""
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
    return command


def _nearest(word: str, known: Iterable[str]) -> str:
    """A question for the nearest known word; a full stop where none is near."""
    names = list(known)
    begun = [name for name in names if len(word) > 2 and name.startswith(word)]
    near = begun or difflib.get_close_matches(word, names, n=1)
    return f"; did you mean {near[0]}?" if near else "."


def build_parser(names: Iterable[str] = COMMANDS) -> CommandParser:
    """The parser of the command line, one subparser a command module: of all, or of those named."""
    parser = CommandParser(
        prog="psdstats",
        description="From sieve weighings of a milling trial to sizes with uncertainty,\n"
        "a verdict and a report.",
        epilog=ENDING,
        formatter_class=RawDescriptionHelpFormatter,
    )
    parser.add_argument("--version", action="version", version=f"psdstats {__version__}")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", required=True)
    for name in names:
        module = import_module(f".commands.{name}", __package__)
        add_command(commands, name, module).set_defaults(run=module.run)
    return parser


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command.

    Parameters
    ----------
    arguments : sequence of str, optional
        Words after the program name; those of the process when left out.

    Returns
    -------
    int
        Exit code: 0 done, 1 warnings, 2 refused, 130 stopped from the keyboard.
    """
    console = Console()
    _survive_old_code_pages()
    gc.set_threshold(*RARE_COLLECTION)
    try:
        words = sys.argv[1:] if arguments is None else arguments
        # the options of the other commands are not wanted: half the time of a short command
        named = words[:1] if words and words[0] in COMMANDS else COMMANDS
        options = build_parser(named).parse_args(words)
        console = Console(quiet=options.quiet, json=options.json, progress=options.progress)
        if hasattr(options, "decimal"):
            from psdstats.words.numbers import Numerals  # loads numpy

            options.say = Numerals(options.decimal)
        if getattr(options, "out", None) is not None:
            ensure_free(options.out, replace=options.replace)
        code: int = options.run(options, console)
        console.flush()
    except PsdstatsError as refusal:
        console.refuse(str(refusal))
        return REFUSED
    except KeyboardInterrupt:
        console.refuse("Stopped from the keyboard; nothing was half-written.")
        return STOPPED
    except BrokenPipeError:
        _drop_output()
        return 0
    except OSError as cause:
        console.refuse(
            f"{cause.filename or 'The output'} cannot be read or written: {cause.strerror}. "
            "Make room, or choose a place that you may use."
        )
        _drop_output()
        return REFUSED
    return code


def _survive_old_code_pages() -> None:
    """Let the help print ? for a sign that the terminal's encoding does not have."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, TextIOWrapper) and not stream.encoding.lower().startswith("utf"):
            stream.reconfigure(errors="replace")


def _drop_output() -> None:
    """Send what is still in the buffer nowhere, so that the interpreter ends in peace."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
