"""pyproject.toml names every package, data file and dependency, under the names it promises.

The continuous checks (.ci/run) build the wheel and run the main job from it.
"""

import ast
import re
import sys
import tomllib
from pathlib import Path

ROOT = Path(__file__).parents[1]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
SETUPTOOLS = PROJECT["tool"]["setuptools"]
HOMES = {"psdstats": "psdstats", "cli": "psdstats_cli", "datasets": "psdstats_datasets"}


def _packages():
    """Every folder with __init__.py, under the name it is installed by."""
    for folder, name in HOMES.items():
        for init in (ROOT / folder).rglob("__init__.py"):
            below = init.parent.relative_to(ROOT / folder).parts
            yield ".".join((name, *below)), init.parent


FOLDERS = dict(_packages())


def _data_files():
    """Every file in the folders of the packages that is not code."""
    for home in HOMES:
        for path in (ROOT / home).rglob("*"):
            is_cache = {"__pycache__", ".mypy_cache"} & set(path.parts)
            if path.is_file() and path.suffix not in (".py", ".pyc") and not is_cache:
                yield path


def test_list_of_packages_is_whole():
    assert sorted(SETUPTOOLS["packages"]) == sorted(name for name, _ in _packages())


def test_cli_and_datasets_have_names_of_their_own():
    assert SETUPTOOLS["package-dir"] == {home: folder for folder, home in HOMES.items()}
    assert not {"cli", "datasets"} & {name.split(".")[0] for name in SETUPTOOLS["packages"]}


def test_command_is_installed():
    assert PROJECT["project"]["scripts"] == {"psdstats": "psdstats_cli.__main__:main"}


def test_every_data_file_is_named():
    """Patterns are relative to their package, as setuptools reads them."""
    named = set()
    for package, patterns in SETUPTOOLS["package-data"].items():
        folder = FOLDERS[package]
        named |= {path for pattern in patterns for path in folder.glob(pattern)}
    assert [str(path.relative_to(ROOT)) for path in _data_files() if path not in named] == []


def test_data_are_found_by_the_installed_package():
    """What the code opens at run time lies where the package says it is."""
    from importlib.resources import files

    from psdstats_datasets import DEMO_STUDIES, PUBLISHED_CASES, demo_study, published_path

    assert files("psdstats.sieves").joinpath("apertures.csv").is_file()
    assert files("psdstats.output").joinpath("report.css").is_file()
    assert files("psdstats").joinpath("py.typed").is_file()
    assert all(demo_study(name).exists() for name in DEMO_STUDIES)
    assert all(published_path(name).exists() for name in PUBLISHED_CASES)


def test_version_is_the_one_of_the_code():
    from psdstats import __version__

    assert PROJECT["project"]["version"] == __version__


def test_every_import_is_declared():
    """Whatever the packages import is Python's own, their own, or a declared dependency."""
    declared = {
        re.match(r"[\w-]+", line)[0].replace("-", "_")
        for line in [
            *PROJECT["project"]["dependencies"],
            *PROJECT["project"]["optional-dependencies"]["cluster"],
        ]
    }
    allowed = declared | set(HOMES.values()) | set(sys.stdlib_module_names)
    for folder in HOMES:
        for path in (ROOT / folder).rglob("*.py"):
            for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
                names = [alias.name for alias in node.names] if isinstance(node, ast.Import) else []
                if isinstance(node, ast.ImportFrom) and node.level == 0:
                    names = [node.module]
                assert {name.partition(".")[0] for name in names} <= allowed, path
