"""The psdstats command: finds the subcommand, runs it, turns refusals into one sentence.

Exit codes: 0 done, 1 done with warnings (check), 2 refused, 130 stopped from the keyboard.
"""

from __future__ import annotations

import gc
import os
import sys
from argparse import RawDescriptionHelpFormatter
from collections.abc import Sequence
from importlib import import_module
from io import TextIOWrapper

from psdstats import __version__
from psdstats.errors import PsdstatsError
from psdstats.words.numbers import Numerals

from .console import Console
from .parsing import REFUSED, CommandParser, add_command
from .writing import ensure_free

__all__ = ["COMMANDS", "build_parser", "main"]

RARE_COLLECTION = (50_000, 20, 20)  # drawing makes millions of small objects: 8 % less time
COMMANDS = (
    "demo",
    "sheet",
    "check",
    "convert",
    "sizes",
    "budget",
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


def build_parser() -> CommandParser:
    """The parser of the whole command line, one subparser a command module."""
    parser = CommandParser(
        prog="psdstats",
        description="From sieve weighings of a milling trial to sizes with uncertainty,\n"
        "a verdict and a report.",
        epilog=ENDING,
        formatter_class=RawDescriptionHelpFormatter,
    )
    parser.add_argument("--version", action="version", version=f"psdstats {__version__}")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", required=True)
    for name in COMMANDS:
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
        options = build_parser().parse_args(arguments)
        console = Console(quiet=options.quiet, json=options.json)
        if hasattr(options, "decimal"):
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
