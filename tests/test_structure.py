"""The shape of the house: imports go one way and never in a circle, words stand in one folder,
rooms are few and small, and what is declared is used.
"""

import ast
import importlib
import io
import re
import sys
import tokenize
import tomllib
from collections import defaultdict
from functools import cache
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
MOST_FUNCTION_LINES = 40
MOST_LINES = {"psdstats": 600, "cli": 600, "datasets": 600}
MOST_FILES = 200  # library and commands
MOST_CODE_LINES = 43_770  # without docstrings, blanks and remarks; DEVELOPERS.md says what they buy
MOST_PUBLIC_NAMES = 120
MOST_WORDS = 4  # a string of more is a sentence
COMPARE_FILES, COMPARE_FUNCTIONS = 44, 408

# what each folder of the library may use beside itself and the modules at the top
BELOW = {
    "sieves": set(),
    "study": {"sieves"},
    "distribution": {"study", "sieves"},
    "uncertainty": {"distribution", "study", "sieves"},
    "models": set(),  # plain frames and arrays: it knows no study
    "comparison": {"models", "uncertainty", "distribution", "study", "sieves"},
    "rate": {"comparison", "models", "uncertainty", "distribution", "study", "sieves"},
    "simulate": {"distribution", "study", "sieves"},
    "planning": {
        "comparison", "rate", "simulate", "models", "uncertainty", "distribution", "study", "sieves"
    },
}  # fmt: skip
BELOW["archive"] = {*BELOW}
BELOW["words"] = {*BELOW}
BELOW["output"] = {*BELOW}

# longer than the limit, and why
LONG_FUNCTIONS = {
    "add_arguments": "a list of options, one call an option",
    "add_comparison": "a list of options, one call an option",
}


@cache
def _tree(path):
    return ast.parse(path.read_text(encoding="utf-8"))


def _files(*folders):
    return [path for folder in folders for path in sorted((ROOT / folder).rglob("*.py"))]


def _name(path):
    return str(path.relative_to(ROOT))


LIBRARY = _files("psdstats")
CODE = _files("psdstats", "cli")
MODULES = {
    ".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__"): path
    for path in CODE
}


def _imports(path):
    """Each absolute import of a module, wherever it stands in it: module and name."""
    own = path.relative_to(ROOT).with_suffix("").parts
    for node in ast.walk(_tree(path)):
        if isinstance(node, ast.ImportFrom):
            above = ".".join(own[: len(own) - node.level]) if node.level else ""
            module = ".".join(part for part in (above, node.module) if part)
            yield from ((module, alias.name) for alias in node.names)
        elif isinstance(node, ast.Import):
            yield from ((alias.name, None) for alias in node.names)


def _imported(path):
    return {module for module, _ in _imports(path)}


@cache
def _edges():
    """Which file takes from which, a name of a package counted where the package takes it from."""
    edges = defaultdict(set)
    for module, path in MODULES.items():
        for source, name in _imports(path):
            source = source.replace("psdstats_cli", "cli")
            target = f"{source}.{name}" if f"{source}.{name}" in MODULES else source
            if target in MODULES and MODULES[target].stem == "__init__":
                homes = [s for s, n in _imports(MODULES[target]) if n == name]
                target = homes[0] if homes else target
            if target in MODULES and target != module:
                edges[module].add(target)
    return edges


def test_there_is_something_to_check():
    assert len(LIBRARY) > 100
    assert {path.parent.name for path in LIBRARY} >= set(BELOW)
    assert sum(map(len, _edges().values())) > 500


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


def test_no_two_files_import_each_other():
    """Imports for types only count: a reader follows them too."""
    edges, state, circles = _edges(), {}, []

    def visit(module, way):
        state[module] = "open"
        for below in sorted(edges[module]):
            if MODULES[below].stem == "__init__":
                continue
            if state.get(below) == "open":
                circles.append([*way[way.index(below) :], below])
            elif below not in state:
                visit(below, [*way, below])
        state[module] = "done"

    for module in MODULES:
        if module not in state and MODULES[module].stem != "__init__":
            visit(module, [module])
    assert circles == []


def test_library_knows_neither_command_line_nor_demo_data():
    outer = {"psdstats_cli", "psdstats_datasets", "cli", "datasets"}
    found = [
        _name(path)
        for path in LIBRARY
        if outer & {module.partition(".")[0] for module in _imported(path)}
    ]
    assert found == []


def test_the_presenter_is_the_only_door_upward():
    """Modules below words and output reach them through `psdstats.present` alone, by name."""
    from psdstats.present import PRESENTER

    upward = re.compile(r"psdstats\.(words|output)\b")
    found = []
    for path in LIBRARY:
        folder = path.relative_to(ROOT / "psdstats").parts[0]
        if folder in ("words", "output", "present.py", "__init__.py"):
            continue
        texts = (
            node.value
            for node in ast.walk(_tree(path))
            if isinstance(node, ast.Constant)
            and isinstance(node.value, str)
            and id(node) not in _docstrings(path)
        )
        if any(upward.match(text) for text in texts):
            found.append(_name(path))
    assert found == []
    forms = importlib.import_module(PRESENTER).FORMS
    assert {"summary", "plot"} <= set(forms)


def test_library_neither_prints_nor_logs():
    found = []
    for path in LIBRARY:
        calls = (node.func for node in ast.walk(_tree(path)) if isinstance(node, ast.Call))
        printed = any(isinstance(one, ast.Name) and one.id == "print" for one in calls)
        if printed or {"logging", "tqdm"} & _imported(path):
            found.append(_name(path))
    assert found == []


@cache
def _docstrings(path):
    """Identities of the constants that are docstrings."""
    holders = (ast.Module, ast.ClassDef, ast.FunctionDef, ast.AsyncFunctionDef)
    found = set()
    for node in ast.walk(_tree(path)):
        if isinstance(node, holders):
            texts = (each for each in node.body if isinstance(each, ast.Expr))
            found.update(id(each.value) for each in texts if isinstance(each.value, ast.Constant))
    return found


def _text(node):
    """What a string says, a gap for what is put into it; None for anything else."""
    if isinstance(node, ast.Constant) and isinstance(node.value, str):
        return node.value
    if isinstance(node, ast.JoinedStr):
        parts = (each.value if isinstance(each, ast.Constant) else "x" for each in node.values)
        return "".join(map(str, parts))
    return None


_REFUSAL = re.compile(r"(Error|Problem|Flag)$|^(warn|refuse|require|ensure_room|_wrong)$")


def _refuses(function):
    """Whether a function raises, warns, or makes a message of the bench checks."""
    if function.name.lstrip("_").startswith("refuse"):
        return True
    for node in ast.walk(function):
        if isinstance(node, ast.Raise):
            return True
        if isinstance(node, ast.Call):
            called = node.func
            name = called.attr if isinstance(called, ast.Attribute) else getattr(called, "id", "")
            if _REFUSAL.search(name):
                return True
    return False


def _sentences(path):
    found = []

    def visit(node, excused):
        if isinstance(node, ast.FunctionDef):
            excused = excused or _refuses(node)
        said = _text(node)
        if said is not None:
            words = sum(bool(re.search(r"[A-Za-z]{2}", word)) for word in said.split())
            if words > MOST_WORDS and not excused and id(node) not in _docstrings(path):
                found.append(f"{_name(path)}:{node.lineno}: {said[:60]}")
            return
        for below in ast.iter_child_nodes(node):
            visit(below, excused)

    visit(_tree(path), False)
    return found


def test_sentences_stand_in_words():
    """Refusals, messages of bench checks and docstrings apart."""
    rooms = [
        path
        for path in LIBRARY
        if path.parent.name != "words" and path.name not in ("errors.py", "__init__.py")
    ]
    assert [one for path in rooms for one in _sentences(path)] == []


_TAKES_APART = {
    "partition", "rpartition", "split", "rsplit", "replace", "removesuffix", "removeprefix",
    "startswith", "endswith", "rstrip", "lstrip", "strip", "translate",
}  # fmt: skip
_PROSE = re.compile(r"\b(sentence|note|label|contrast|headline|reason|remark|caption)s?\b")


def test_no_code_takes_text_apart():
    """Sentences, notes, labels and contrasts are made of records and never read back."""
    found = []
    for path in CODE:
        for node in ast.walk(_tree(path)):
            if not (isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute)):
                continue
            own = ast.unparse(node.func.value)
            taken = own if node.func.attr in _TAKES_APART else ""
            if own == "re":  # re.sub(pattern, …, text)
                taken = " ".join(map(ast.unparse, node.args))
            if _PROSE.search(taken):
                found.append(f"{_name(path)}:{node.lineno}: {ast.unparse(node)[:80]}")
    assert found == []


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


# found by their place, not by an import: sources of uncertainty, commands, rooms of words
PLUG_INS = ("psdstats.uncertainty.sources.", "cli.commands.", "psdstats.words.")
# one subject that two files hold: one would be over the limit
PARTS = {
    "psdstats.archive.trial",  # with collecting, loaded where a trial is evaluated
    "psdstats.distribution.borrowing",
    "psdstats.distribution.breakage",
    "psdstats.models.level_table",  # with level
    "psdstats.output.pages.answer_sheet",  # with report
    "psdstats.output.pages.archive",  # with the command
    "psdstats.planning.trial_like",  # with attained
    "psdstats.distribution.many_runs",  # with borrowing
    "psdstats.output.blocks",  # with sheet
    "psdstats.output.html",  # with bundle
    "psdstats.study.names",  # with check
    "psdstats.study.wide",  # with reader
}
DOORS = {
    "cli.__main__",
    "cli.main",
    "psdstats.present",
    "psdstats.output.presenter",
    "psdstats.study.frames",
}


def test_a_module_earns_its_room():
    """Two importers, or a name that a package exports, or a plug-in."""
    importers = defaultdict(set)
    for module, targets in _edges().items():
        for target in targets:
            importers[target].add(module)
    exported = {
        source
        for path in MODULES.values()
        if path.stem == "__init__"
        for source, name in _imports(path)
        if name in _named_all(path)
    }
    lonely = [
        module
        for module, path in MODULES.items()
        if path.stem != "__init__"
        and len(importers[module]) < 2
        and module not in exported | DOORS | PARTS
        and not module.startswith(PLUG_INS)
    ]
    assert lonely == []


def test_what_is_declared_is_imported():
    """Dependencies of the package are used by the library or the commands, and the other way."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    declared = {
        re.split(r"[<>=~!\[; ]", one)[0].replace("-", "_") for one in project["dependencies"]
    }
    optional = {
        re.split(r"[<>=~!\[; ]", one)[0].replace("-", "_")
        for extra in ("cluster", "numbers")
        for one in project["optional-dependencies"][extra]
    }
    own = {"psdstats", "psdstats_cli", "psdstats_datasets", "cli"}
    imported = {module.partition(".")[0] for path in CODE for module in _imported(path)}
    imported = {name for name in imported - own if name not in sys.stdlib_module_names}
    imported -= {path.stem for path in CODE} | {""}
    assert declared - imported == set()
    assert imported - declared - optional == set()


@pytest.mark.parametrize("folder", MOST_LINES)
def test_files_are_short(folder):
    lines = {_name(path): path.read_text(encoding="utf-8").count("\n") for path in _files(folder)}
    assert {name: n for name, n in lines.items() if n > MOST_LINES[folder]} == {}


def _code_lines(path):
    """Lines that hold code: no docstring, blank line or remark."""
    doc = set()
    for node in ast.walk(_tree(path)):
        if isinstance(node, ast.Constant) and id(node) in _docstrings(path):
            doc.update(range(node.lineno, node.end_lineno + 1))
    empty = {
        tokenize.COMMENT, tokenize.NL, tokenize.NEWLINE,
        tokenize.INDENT, tokenize.DEDENT, tokenize.ENDMARKER,
    }  # fmt: skip
    rows = set()
    for token in tokenize.generate_tokens(io.StringIO(path.read_text(encoding="utf-8")).readline):
        if token.type not in empty:
            rows.update(range(token.start[0], token.end[0] + 1))
    return len(rows - doc)


def test_nothing_is_left_lying_in_the_house():
    kinds = {
        path.suffix
        for folder in ("psdstats", "cli")
        for path in (ROOT / folder).rglob("*")
        if path.is_file() and path.parent.name != "__pycache__"
    }
    known = {".css", ".csv", ".html", ".js", ".json", ".mplstyle", ".py", ".sql", ".toml", ".typed"}
    assert kinds <= known


def test_the_house_does_not_grow_unseen():
    assert len(CODE) <= MOST_FILES
    assert sum(map(_code_lines, CODE)) <= MOST_CODE_LINES


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
    for path in [*CODE, *_files("datasets")]:
        source = path.read_text(encoding="utf-8").splitlines()
        for node in ast.walk(_tree(path)):
            if isinstance(node, ast.FunctionDef) and node.name not in LONG_FUNCTIONS:
                found[f"{_name(path)}: {node.name}"] = _body_lines(node, source)
    assert {name: n for name, n in found.items() if n > MOST_FUNCTION_LINES} == {}


def test_the_way_of_a_comparison_is_short(monkeypatch):
    """Files and named functions that `compare` enters from weighings to verdicts.

    The law of the curves between the sieves, which one study finds once, is a way of its own.
    """
    from psdstats_datasets import demo_study

    import psdstats

    study = psdstats.read_study(demo_study("four_benches"))
    compare = psdstats.compare
    compare(study)  # what loads on first use is loaded, and the curves are known
    files, functions = set(), set()
    home = str(Path(psdstats.__file__).parent)

    def entered(frame, event, _):
        name, path = frame.f_code.co_name, frame.f_code.co_filename
        if event == "call" and path.startswith(home) and not name.startswith("<"):
            files.add(path)
            functions.add((path, name))

    monkeypatch.setattr("psdstats.processes.forks", lambda: False)  # what copies enter counts too
    before = sys.getprofile()
    sys.setprofile(entered)
    try:
        compare(study)
    finally:
        sys.setprofile(before)
    assert len(files) <= COMPARE_FILES
    assert len(functions) <= COMPARE_FUNCTIONS
