"""psdstats completion: the script by which a shell completes commands, options and choices."""

from __future__ import annotations

import argparse
from pathlib import Path

from ..console import Console
from ..options import add_json

SUMMARY = "print the script that lets bash or zsh complete commands, options and choices"
EXAMPLE = "psdstats completion bash"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the options."""
    parser.add_argument(
        "shell",
        choices=("bash", "zsh"),
        metavar="SHELL",
        help='bash or zsh; for this shell alone: eval "$(psdstats completion bash)"',
    )
    add_json(parser)


def run(options: argparse.Namespace, console: Console) -> int:
    """Print the script."""
    import shtab

    from ..main import build_parser

    parser = build_parser()
    _prepare(parser)
    script: str = shtab.complete(parser, shell=options.shell)
    console.document({"shell": options.shell, "script": script})
    console.verbatim(script.rstrip("\n"))
    return 0


def _prepare(parser: argparse.ArgumentParser) -> None:
    """Complete files or folders where a path is taken, and choices of several words as one."""
    import shtab

    for action in parser._actions:
        if isinstance(action, argparse._SubParsersAction):
            for below in action.choices.values():
                _prepare(below)
        elif action.type is Path:
            kind = shtab.DIRECTORY if action.metavar == "DIR" else shtab.FILE
            action.complete = kind  # type: ignore[attr-defined]  # the name shtab looks for
        elif action.choices:
            action.choices = [str(choice).replace(" ", "-") for choice in action.choices]
