"""What is added to the guide while it is built.

The reference of code and commands, the licences, and the gallery are made from the code itself;
each page runs its examples in a folder of its own.
"""

from __future__ import annotations

import ast
import inspect
import os
import shutil
import tomllib
from argparse import _SubParsersAction
from doctest import DocTestParser
from importlib import import_module
from importlib.metadata import metadata
from pathlib import Path
from pkgutil import walk_packages

from mkdocs.structure.files import File
from psdstats_cli.main import build_parser

import psdstats
from psdstats.output import figures

RUN = 'exec="1" source="above" html="1"'
LICENCE = "License ::"
FIGURES = "reference/api/psdstats.output.figures"
ROOT = Path(__file__).parents[1]
WORK = Path(os.environ["PSDSTATS_SITE_WORK"])
os.environ["COLUMNS"] = "100"  # of what the commands print


def on_config(config):
    """One entry of the navigation a package."""
    pages = [{name: f"reference/api/{name}.md"} for name in _packages()]
    for entry in config.nav:
        for one in entry.get("Reference", ()):
            if isinstance(one, dict) and "Python" in one:
                one["Python"] = pages
    return config


def on_files(files, config):
    """Add the pages that are made from the code."""
    made = {
        "gallery.md": _gallery(),
        "reference/commands.md": _commands(),
        "reference/licences.md": _licences(),
        "reference/versions.md": (ROOT / ".ci" / "versions.md").read_text(encoding="utf-8"),
        "reference/changes.md": (ROOT / "CHANGELOG.md").read_text(encoding="utf-8"),
        **{f"reference/api/{name}.md": _package(name) for name in _packages()},
    }
    for place, text in made.items():
        files.append(File.generated(config, place, content=text))
    return files


def on_page_markdown(markdown, page, **_):
    """Run what a page shows in a folder of its own."""
    folder = WORK / page.file.src_uri.removesuffix(".md").replace("/", "-")
    folder.mkdir(exist_ok=True)
    os.chdir(folder)
    return markdown


def on_page_content(html, **_):
    """Places without the folder in which the page was made."""
    return html.replace(f"{Path.cwd()}/", "")


def on_post_build(config):
    """Put the report of the tutorial beside it."""
    os.chdir(WORK)
    shutil.copytree(WORK / "tutorial" / "my-report", Path(config.site_dir) / "my-report")


def _packages() -> list[str]:
    """Every package that names what it offers."""
    found = [one.name for one in walk_packages(psdstats.__path__, "psdstats.") if one.ispkg]
    return ["psdstats", *(name for name in found if getattr(import_module(name), "__all__", ()))]


def _package(name: str) -> str:
    module = import_module(name)
    members = sorted(one for one in module.__all__ if not one.startswith("__"))
    parts = [f"# {name}", inspect.getdoc(module) or "", *(f"::: {name}.{one}" for one in members)]
    return "\n\n".join(parts)


def _gallery() -> str:
    """Every figure, drawn by the example of its docstring."""
    parts = [(ROOT / ".site" / "gallery.md").read_text(encoding="utf-8")]
    for name in figures.__all__:
        figure = getattr(figures, name)
        if "ax" not in inspect.signature(figure).parameters:
            continue
        doc = inspect.getdoc(figure)
        lines = "".join(one.source for one in DocTestParser().get_examples(doc))
        parts += [
            f"## {name}",
            doc.partition("\n\n")[0],
            f'```python {RUN} session="{name}"\n{_drawing(lines, name)}\n'
            "from shown import shown  # markdown-exec: hide\n"
            f'print(shown(ax, "{name}"))  # markdown-exec: hide\n```',
            f"[Columns and options]({FIGURES}.md#{FIGURES.rpartition('/')[2]}.{name})",
        ]
    return "\n\n".join(parts)


def _drawing(lines: str, name: str) -> str:
    """The example of a docstring up to its Axes, named ``ax``."""
    last = ast.parse(lines).body[-1]
    value = last.value
    while isinstance(value, ast.Call) and isinstance(value.func, ast.Attribute):
        value = value.func.value  # what the docstring asks of the Axes
    kept = lines.splitlines()[: last.lineno - 1]
    if isinstance(value, ast.Call) and getattr(value.func, "id", "") in figures.__all__:
        kept.append(f"ax = {ast.get_source_segment(lines, value)}")
    names = ", ".join(sorted({name, "new_axes"}))
    kept.remove("from psdstats.output.figures import new_axes")
    return "\n".join([f"from psdstats.output.figures import {names}", *kept])


def _commands() -> str:
    """The help of every command, word for word."""
    parts = [(ROOT / ".site" / "commands.md").read_text(encoding="utf-8")]

    def add(parser, path):
        below = next((one for one in parser._actions if isinstance(one, _SubParsersAction)), None)
        parts.append(f"## {' '.join(path)}\n\n```text\n{parser.format_help()}```")
        for name, one in (below.choices if below else {}).items():
            add(one, (*path, name))

    add(build_parser(), ("psdstats",))
    return "\n\n".join(parts)


def _licences() -> str:
    """What psdstats needs, with the licence each package states."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    rows = []
    for line in project["dependencies"]:
        told = metadata(line.partition(">")[0])
        kinds = [
            one.rpartition(":: ")[2] for one in told.get_all("Classifier", ()) if LICENCE in one
        ]
        free = (told.get("License") or "see its files").splitlines()[0]
        stated = told.get("License-Expression") or ", ".join(kinds) or free
        rows.append(f"| {told['Name']} | {line.partition('>')[2].lstrip('=')} | {stated} |")
    text = (ROOT / ".site" / "licences.md").read_text(encoding="utf-8")
    head = ["| package | lowest version | licence it states |", "|---|---|---|"]
    return "\n".join([text, *head, *rows, ""])
