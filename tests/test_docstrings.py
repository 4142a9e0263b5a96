"""Every public name says in numpydoc form what it takes and gives."""

from __future__ import annotations

import dataclasses
import inspect
import re
from collections import defaultdict
from importlib import import_module
from pkgutil import walk_packages

import pytest

import psdstats
from psdstats.present import Shown

SECTION = re.compile(r"^(\w[\w ]*)\n-{3,}$", re.MULTILINE)


def _public() -> dict[str, object]:
    """Functions and classes that the packages name in ``__all__``, by full name."""
    packages = [m.name for m in walk_packages(psdstats.__path__, "psdstats.") if m.ispkg]
    found = {}
    for package in ["psdstats", *packages]:
        module = import_module(package)
        for name in getattr(module, "__all__", ()):
            item = getattr(module, name)
            if inspect.isfunction(item) or inspect.isclass(item):
                found[f"{item.__module__}.{item.__qualname__}"] = item
    return found


PUBLIC = _public()
FUNCTIONS = {name: item for name, item in PUBLIC.items() if inspect.isfunction(item)}
METHODS = {
    f"{name}.{own}": method
    for name, item in PUBLIC.items()
    if inspect.isclass(item)
    for own, method in vars(item).items()
    if inspect.isfunction(method) and not own.startswith("_")
}
OF_CLASSES = {  # they have no self
    f"{name}.{own}": method.__func__
    for name, item in PUBLIC.items()
    if inspect.isclass(item)
    for own, method in vars(item).items()
    if isinstance(method, classmethod | staticmethod) and not own.startswith("_")
}


def _sections(item: object) -> dict[str, str]:
    text = inspect.getdoc(item) or ""
    parts = SECTION.split(text)
    return {"": parts[0], **dict(zip(parts[1::2], parts[2::2], strict=True))}


def _described(section: str) -> set[str]:
    """Names before the colon of each entry; one entry may name several."""
    heads = re.findall(r"^(\S[^:\n]*?)(?: :|:|$)", section, flags=re.MULTILINE)
    return {name.strip(" *") for head in heads for name in head.split(",")}


def test_there_is_something_to_check():
    assert len(FUNCTIONS) > 50
    assert len(METHODS) > 40


@pytest.mark.parametrize("name", sorted(PUBLIC))
def test_every_public_name_says_what_it_is(name):
    summary = _sections(PUBLIC[name])[""].strip().split("\n\n")[0]
    assert summary, f"{name} has no docstring"
    generated = f"{PUBLIC[name].__name__}("  # what a dataclass writes for itself
    assert not summary.startswith(generated), f"{name} has no docstring of its own"


@pytest.mark.parametrize("name", sorted(FUNCTIONS))
def test_every_public_function_describes_parameters_and_result(name):
    function = FUNCTIONS[name]
    signature = inspect.signature(function)
    sections = _sections(function)
    described = _described(sections.get("Parameters", ""))
    assert [own for own in signature.parameters if own not in described] == []
    if signature.return_annotation not in (None, "None"):
        assert {"Returns", "Yields"} & sections.keys(), "what it gives is not described"


@pytest.mark.parametrize("name", sorted(METHODS))
def test_every_public_method_says_what_it_gives(name):
    assert _sections(METHODS[name])[""].strip()


@pytest.mark.parametrize("name", sorted(METHODS))
def test_methods_describe_what_they_take(name):
    sections = _sections(METHODS[name])
    taken = [own for own in inspect.signature(METHODS[name]).parameters if own != "self"]
    described = _described(sections.get("Parameters", ""))
    assert [own for own in taken if own not in described] == []


@pytest.mark.parametrize("name", sorted(FUNCTIONS | METHODS))
def test_what_is_raised_is_said(name):
    """Names the errors that a function raises itself; those of what it calls are not looked for."""
    item = (FUNCTIONS | METHODS)[name]
    raised = set(re.findall(r"raise (\w+)\(", inspect.getsource(item)))
    said = _sections(item).get("Raises", "")
    assert [error for error in raised if error not in said] == []


@pytest.mark.parametrize("name", sorted(PUBLIC.keys() - FUNCTIONS.keys()))
def test_fields_of_public_classes_are_described(name):
    item = PUBLIC[name]
    if not dataclasses.is_dataclass(item):
        return
    sections = _sections(item)
    described = _described(sections.get("Parameters", "") + sections.get("Attributes", ""))
    own = [each.name for each in dataclasses.fields(item) if not each.name.startswith("_")]
    assert [field for field in own if field not in described] == []


def test_every_public_name_has_an_example():
    """That they run is for the doctests, which are collected with the tests."""
    everything = {**PUBLIC, **METHODS, **OF_CLASSES, "Shown": Shown.summary, "plot": Shown.plot}
    without = [
        name
        for name, item in everything.items()
        if ">>> " not in _sections(item).get("Examples", "")
    ]
    assert without == []


def test_no_public_name_means_two_things():
    """What a package exports is defined in one module, and no other has a public name like it."""
    places = defaultdict(set)
    for module in walk_packages(psdstats.__path__, "psdstats."):
        for name, item in vars(import_module(module.name)).items():
            defined = inspect.isfunction(item) or inspect.isclass(item)
            if defined and item.__module__.startswith("psdstats") and item.__name__ == name:
                places[name].add(item.__module__)
    exported = {item.__name__ for item in PUBLIC.values()}
    assert {name: own for name, own in places.items() if name in exported and len(own) > 1} == {}
