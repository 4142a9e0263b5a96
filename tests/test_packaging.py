"""What is built from pyproject.toml: a wheel and a source archive, whole and alike each time.

The continuous checks (.ci/run) run the README's commands from the source archive.
"""

import ast
import os
import re
import subprocess
import sys
import tarfile
import tomllib
import zipfile
from email import message_from_bytes
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
HOMES = {"psdstats": "psdstats", "cli": "psdstats_cli", "datasets": "psdstats_datasets"}
NOT_SHIPPED = {"__pycache__", ".mypy_cache", ".ruff_cache", "node_modules"}


def _build(source, target, umask):
    """Both archives of a folder, with a umask of its own and no date from outside."""
    subprocess.run(
        [sys.executable, "-m", "hatchling", "build", "-d", str(target)],
        cwd=source,
        env={name: value for name, value in os.environ.items() if name != "SOURCE_DATE_EPOCH"},
        umask=umask,
        check=True,
        capture_output=True,
    )
    (sdist,), (wheel,) = target.glob("*.tar.gz"), target.glob("*.whl")
    return sdist, wheel


@pytest.fixture(scope="module")
def built(tmp_path_factory):
    return _build(ROOT, tmp_path_factory.mktemp("built"), 0o022)


def _files_below(*folders):
    """Every file of these folders that is not a cache."""
    return {
        str(path.relative_to(ROOT))
        for folder in folders
        for path in (ROOT / folder).rglob("*")
        if path.is_file() and not NOT_SHIPPED & set(path.parts)
    }


def test_wheel_holds_the_packages_under_their_own_names_and_nothing_else(built):
    with zipfile.ZipFile(built[1]) as wheel:
        names = {name for name in wheel.namelist() if ".dist-info/" not in name}
    expected = {
        "/".join((HOMES[(parts := Path(name).parts)[0]], *parts[1:]))
        for name in _files_below(*HOMES)
    }
    assert names == expected
    assert len(names) > 200


def test_source_archive_holds_tests_notes_and_the_sources_of_site_and_checks(built):
    with tarfile.open(built[0]) as sdist:
        names = {name.partition("/")[2] for name in sdist.getnames()}
    top = {"README.md", "LICENSE", "CHANGELOG.md", "DEVELOPERS.md", "pyproject.toml"}
    expected = top | _files_below(*HOMES, "tests", ".ci", ".github", ".pictures", ".site")
    assert expected - names == set()
    assert names - expected <= {"PKG-INFO", ".gitignore"}


def test_archives_are_the_same_bytes_from_the_unpacked_source_archive(built, tmp_path):
    """Another folder, other times of files, another umask."""
    with tarfile.open(built[0]) as sdist:
        sdist.extractall(tmp_path, filter="data")
    (source,) = tmp_path.iterdir()
    for path in source.rglob("*"):
        os.utime(path, (1_000_000_000, 1_000_000_000))
    again = _build(source, tmp_path / "again", 0o077)
    assert [path.name for path in again] == [path.name for path in built]
    assert [path.read_bytes() for path in again] == [path.read_bytes() for path in built]


def test_description_has_no_link_that_leads_nowhere(built):
    """An index shows the README without the files beside it."""
    with zipfile.ZipFile(built[1]) as wheel:
        (place,) = [name for name in wheel.namelist() if name.endswith("METADATA")]
        metadata = message_from_bytes(wheel.read(place))
    text = metadata.get_payload(decode=True).decode("utf-8")
    assert "# psdstats" in text
    assert re.findall(r"\]\((?!https?:)[^)]*\)|<img", text) == []
    assert "Typing :: Typed" in metadata.get_all("Classifier")
    assert metadata["License-Expression"] == PROJECT["project"]["license"]


def test_command_is_installed():
    assert PROJECT["project"]["scripts"] == {"psdstats": "psdstats_cli.__main__:main"}


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
    citation = (ROOT / ".github" / "CITATION.cff").read_text(encoding="utf-8")
    assert f"\nversion: {__version__}\n" in citation


def test_every_import_is_declared():
    """Whatever the packages import is Python's own, their own, or a declared dependency."""
    declared = {
        re.match(r"[\w-]+", line)[0].replace("-", "_")
        for line in [
            *PROJECT["project"]["dependencies"],
            *PROJECT["project"]["optional-dependencies"]["cluster"],
            *PROJECT["project"]["optional-dependencies"]["numbers"],
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
