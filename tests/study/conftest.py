"""Shared helpers: the sound study of the catalogue as files, and small studies as records."""

import importlib.util
from pathlib import Path

import pytest

from psdstats.study import read_study

_HERE = Path(__file__).parent


def _load(name):
    spec = importlib.util.spec_from_file_location(name, _HERE / f"{name}.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="session")
def catalogue():
    """The module `bad_inputs`."""
    return _load("bad_inputs")


@pytest.fixture
def write_folder(tmp_path, catalogue):
    """Write the sound study into a folder, with some files changed (None: left out)."""

    def write(changes=None, name="trial"):
        folder = tmp_path / name
        folder.mkdir()
        for file, content in {**catalogue.SOUND, **(changes or {})}.items():
            if content is not None:
                raw = content if isinstance(content, bytes) else content.encode()
                (folder / file).write_bytes(raw)
        return folder

    return write


@pytest.fixture
def sound(write_folder):
    """The sound study, read."""
    return read_study(write_folder(name="sound"))
