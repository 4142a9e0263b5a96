"""The shape of the tree: imports go one way, files and functions stay small, nothing prints."""

import ast
from functools import cache
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
MOST_FUNCTION_LINES = 40
MOST_LINES = {"psdstats": 600, "cli": 600, "datasets": 600, "tests": 400}  # tests list their cases

# what each folder of the library may use beside itself and the modules at the top
BELOW = {
    "sieves": set(),
    "study": {"sieves"},
    "distribution": {"study", "sieves"},
    "uncertainty": {"distribution", "study", "sieves"},
    "models": set(),  # plain frames and arrays: it knows no study
    "comparison": {"models", "uncertainty", "distribution", "study", "sieves"},
    "rate": {"models", "uncertainty", "distribution", "study", "sieves"},
    "simulate": {"distribution", "study", "sieves"},
    "planning": {
        "comparison", "rate", "simulate", "models", "uncertainty", "distribution", "study", "sieves"
    },
}  # fmt: skip
BELOW["words"] = {*BELOW}
BELOW["output"] = {*BELOW, "planning"}

# longer than the limit, and why
LONG_FUNCTIONS = {
    "add_arguments": "a list of options, one call an option",
    "add_comparison": "a list of options, one call an option",
    "method_section": "a list of sentences with their sources, in the order of the report",
    "check_fit": "three verdicts that share their numbers, each written out",
    "expected_undersize": "one drawing, mark by mark",
}


@cache
def _tree(path):
    return ast.parse(path.read_text(encoding="utf-8"))


def _files(*folders):
    return [path for folder in folders for path in sorted((ROOT / folder).rglob("*.py"))]


def _name(path):
    return str(path.relative_to(ROOT))


LIBRARY = _files("psdstats")


def _imported(path):
    """Every absolute import of a module, wherever it stands in it."""
    for node in ast.walk(_tree(path)):
        if isinstance(node, ast.ImportFrom) and node.level == 0:
            yield node.module
        elif isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)


def test_there_is_something_to_check():
    assert len(LIBRARY) > 100
    assert {path.parent.name for path in LIBRARY} >= set(BELOW)


@pytest.mark.parametrize("folder", sorted(BELOW))
def test_imports_go_one_way(folder):
    allowed = {folder, *BELOW[folder]}
    own = {path.stem for path in (ROOT / "psdstats").glob("*.py")}
    found = {
        (_name(path), module)
        for path in (ROOT / "psdstats" / folder).rglob("*.py")
        for module in _imported(path)
        if module.startswith("psdstats.") and module.split(".")[1] not in allowed | own
    }
    assert found == set()


def test_library_knows_neither_command_line_nor_demo_data():
    outer = {"psdstats_cli", "psdstats_datasets", "cli", "datasets"}
    found = [
        _name(path)
        for path in LIBRARY
        if outer & {module.partition(".")[0] for module in _imported(path)}
    ]
    assert found == []


def test_library_neither_prints_nor_logs():
    found = []
    for path in LIBRARY:
        calls = (node.func for node in ast.walk(_tree(path)) if isinstance(node, ast.Call))
        printed = any(isinstance(one, ast.Name) and one.id == "print" for one in calls)
        if printed or {"logging", "tqdm"} & set(_imported(path)):
            found.append(_name(path))
    assert found == []


MOST_PUBLIC_NAMES = 120


def _named_all(path):
    """What a file lists in ``__all__``; nothing where it has none."""
    for node in _tree(path).body:
        if isinstance(node, ast.Assign) and ast.unparse(node.targets[0]) == "__all__":
            return ast.literal_eval(node.value)
    return []


@pytest.mark.parametrize("path", LIBRARY, ids=_name)
def test_module_says_what_it_is(path):
    assert ast.get_docstring(_tree(path)), "no module docstring"


def test_public_names_stand_in_package_inits_and_are_few():
    listed = {path: _named_all(path) for path in LIBRARY}
    assert [
        _name(path) for path, names in listed.items() if names and path.stem != "__init__"
    ] == []
    assert len({name for names in listed.values() for name in names}) <= MOST_PUBLIC_NAMES


@pytest.mark.parametrize("folder", MOST_LINES)
def test_files_are_short(folder):
    lines = {_name(path): path.read_text(encoding="utf-8").count("\n") for path in _files(folder)}
    assert {name: n for name, n in lines.items() if n > MOST_LINES[folder]} == {}


def _body_lines(function, source):
    """Lines of code below the signature (one parameter a line), docstring and remarks left out."""
    skip = ast.get_docstring(function) is not None
    body = function.body[1:] if skip else function.body
    if not body:
        return 0
    lines = source[body[0].lineno - 1 : function.end_lineno]
    return sum(1 for line in lines if line.strip() and not line.lstrip().startswith("#"))


def test_functions_fit_on_a_screen():
    found = {}
    for path in [*LIBRARY, *_files("cli", "datasets")]:
        source = path.read_text(encoding="utf-8").splitlines()
        for node in ast.walk(_tree(path)):
            if isinstance(node, ast.FunctionDef) and node.name not in LONG_FUNCTIONS:
                found[f"{_name(path)}: {node.name}"] = _body_lines(node, source)
    assert {name: n for name, n in found.items() if n > MOST_FUNCTION_LINES} == {}
