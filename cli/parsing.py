"""Parsers of the commands: one layout of help, and one sentence for every word they do not know.

A misspelt command, option or choice is answered by the nearest one that exists; options are never
abbreviated, so that a later release can add one without changing what a script means.

Reading the study named on the command line, with its bench checks.

What only the checks can see (a warning) is remarked on standard error by the commands that compute
sizes, so that it travels with the numbers; errors stop.
"""

from __future__ import annotations

import argparse
import difflib
import re
from collections.abc import Iterable, Sequence
from types import ModuleType
from typing import TYPE_CHECKING, Any, NoReturn

from .console import Console

if TYPE_CHECKING:
    from psdstats.study import CheckReport, Study

__all__ = ["REFUSED", "CommandParser", "add_command", "read_checked"]


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


def read_checked(options: argparse.Namespace, console: Console) -> tuple[Study, CheckReport]:
    """Read the study and run the bench checks; say how many warnings there are."""
    from psdstats.study import check_study, read_study

    study = read_study(options.study, encoding=options.encoding)
    report = check_study(study)
    warnings = report.of_severity("warning")
    if warnings:
        console.warn(
            f"{len(warnings)} warning{'s' if len(warnings) > 1 else ''} from the bench checks; "
            f"see: psdstats check {options.study}"
        )
    return study, report
