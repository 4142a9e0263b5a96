"""Names that a person takes for one and a computer for two, and levels that are no numbers.

Alike are names that differ in upper and lower case, in how an accent is stored, in blanks, dashes
and underlines, in signs that show nothing, or in letters of another script.
"""

from __future__ import annotations

import re
import unicodedata
from collections import defaultdict
from collections.abc import Callable, Iterator, Mapping, Sequence

from psdstats.columns import column_words
from psdstats.study.cells import to_number
from psdstats.study.flags import Flag, Spot, at
from psdstats.study.records import Study
from psdstats.study.runs import Run

Step = Callable[[str], str]

_OTHER_SCRIPTS = str.maketrans("аеорсухіјѕԁнкмтвАЕОРСУХІЈЅНКМТВαορνιτκΑΒΕΖΗΙΚΜΝΟΡΤΥΧ",
                               "aeopcyxijsdhkmtbAEOPCYXIJSHKMTBaopvitkABEZHIKMNOPTYX")  # fmt: skip
_DASHES = dict.fromkeys(map(ord, "‐‑‒–—―−_"), "-")
_BLANKS = re.compile(r"(?<!\d)\s+|\s+(?!\d)")  # "1 1" is not "11"
_NOTHING = ("Cf", "Cc")
_RATIO = re.compile(r"([0-9.,]+)\s*:\s*1")


def _without_nothing(name: str) -> str:
    """A name without signs that show nothing, such as a zero-width space."""
    selectors = ("\u034f", *map(chr, range(0xFE00, 0xFE10)))
    return "".join(
        sign
        for sign in name
        if sign not in selectors and (unicodedata.category(sign) not in _NOTHING or sign == "\t")
    )


_STEPS: Mapping[str, Step] = {
    "signs that show nothing": _without_nothing,
    "how a letter is stored": lambda name: unicodedata.normalize("NFKC", name),
    "dashes": lambda name: name.translate(_DASHES),
    "blanks": lambda name: " ".join(_BLANKS.sub("", name).split()),
    "letters of another script": lambda name: name.translate(_OTHER_SCRIPTS),
    "upper and lower case": str.casefold,
}


def plain_name(name: str, *, but: str = "") -> str:
    r"""A name without what a reader does not see, all of it or all but one kind.

    Examples
    --------
    >>> plain_name("Op  A"), plain_name("op\u200bA"), plain_name("Run 1 1"), plain_name("5–a")
    ('opa', 'opa', 'run1 1', '5-a')
    """
    for kind, step in _STEPS.items():
        name = name if kind == but else step(name)
    return name


def similar_names(study: Study, _: object) -> Iterator[Flag]:
    """Names of one kind that read alike; the rarer one is named."""
    for kind, spots in _names_of(study).items():
        for name, usual in _usual_names(spots).items():
            if name != usual:
                says = f"{kind} {_visible(usual)} and {_visible(name)} read alike and count as "
                says += f"two: they differ in {' and in '.join(_ways(name, usual))}"
                for spot in spots[name]:
                    yield Flag("similar_names", says, spot, common=says)


def _usual_names(spots: Mapping[str, Sequence[object]]) -> dict[str, str]:
    """The most frequent of the names that read like each name."""
    by_plain: dict[str, list[str]] = defaultdict(list)
    for name in spots:
        by_plain[plain_name(name)].append(name)
    return {
        name: max(names, key=lambda one: len(spots[one]))
        for names in by_plain.values()
        for name in names
    }


def _ways(name: str, usual: str) -> list[str]:
    """In what two names that read alike differ."""
    alone = [way for way, step in _STEPS.items() if step(name) == step(usual)]
    return alone[:1] or [
        way for way in _STEPS if plain_name(name, but=way) != plain_name(usual, but=way)
    ]


def _visible(name: str) -> str:
    """A name in which signs that show nothing, and odd blanks, are written as their number."""
    return "".join(
        sign
        if sign == " " or (_without_nothing(sign) and not sign.isspace())
        else f"<U+{ord(sign):04X}>"
        for sign in name
    )


def _names_of(study: Study) -> dict[str, dict[str, list[Spot]]]:
    """Names by their kind, with the places of each."""
    found: dict[str, dict[str, list[Spot]]] = defaultdict(lambda: defaultdict(list))
    groups: dict[str, list[Run]] = defaultdict(list)
    for run in study.runs:
        groups[run.group].append(run)
        labels = {"runs": run.name, "groups": run.group, "charges": run.charge}
        labels["replicates"] = run.replicate
        for name, level in run.factors.items():
            found["columns"].setdefault(name, [Spot()])
            if isinstance(level, str):
                labels[f"levels of {column_words(name)}"] = level
        for kind, label in labels.items():
            if label:
                found[kind][label].append(at(run))
    usual = _usual_names(groups)
    for run in study.runs:
        for one in run.readings:
            if one.aperture_um > 0:  # one named after its group changes with the group's name
                own = one.sieve.removeprefix(run.group)
                name = one.sieve if own == one.sieve else f"{usual[run.group]}{own}"
                found["sieves"][name].append(at(run, one))
    for sieve in study.sieves.values():
        for name in filter(None, (sieve.certificate, sieve.reference)):
            found["certificates"][name].append(Spot(sieve=sieve.key))
    return found


def mixed_levels(study: Study, _: object) -> Iterator[Flag]:
    """Factors that are numbers in some runs and words in others, so that none is a number."""
    for name in dict.fromkeys(name for run in study.runs for name in run.factors):
        own = [(run, run.factors[name]) for run in study.runs if name in run.factors]
        words = [(run, one) for run, one in own if isinstance(one, str) and to_number(one) is None]
        if not words or len(words) == len(own):
            continue
        levels = dict.fromkeys(str(level) for _, level in words)
        shown = ", ".join([*levels][:3])
        says = f"{column_words(name)} counts as words in all runs, since {shown} is no number"
        ratios = [found[1] for one in levels if (found := _RATIO.fullmatch(one))]
        remedy = "Write numbers alone, or words in every run."
        if len(ratios) == len(levels):
            remedy = f"Write {', '.join(ratios)} for {shown}, as in the other runs."
        for run, _ in words:
            yield Flag("mixed_levels", says, at(run), common=says, remedy=remedy)
