"""Every kind of sentence on a trial, read as a whole: the approved page lies beside this file.

`python tests/words/test_every_sentence.py` writes it anew; read the difference before committing.
"""

import importlib.util
import re
from pathlib import Path

from psdstats.findings import RemarkKind
from psdstats.words.comparison import (
    advice_sentences,
    balance_sentence,
    course_notes,
    finding_sentence,
)
from psdstats.words.courses import (
    course_sentence,
    course_sentences,
    factor_sentences,
    since_sentences,
    stop_sentences,
)
from psdstats.words.groups import bench_sentences
from psdstats.words.numbers import Numerals
from psdstats.words.remarks import sentence, wordings

HERE = Path(__file__).parent
PAGE = HERE / "every_sentence.md"


def _records(name):
    spec = importlib.util.spec_from_file_location(name, HERE / f"{name}.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


made = _records("trial_records")
remarks = _records("remark_records").REMARKS


def _of_courses(courses, plan=made.PLAN):
    told = (one for _, one in course_sentences(courses, plan))
    return (*told, *since_sentences(courses, plan), *stop_sentences(courses, plan))


def sections():
    yield (
        "Has it fallen",
        {name: (course_sentence(one, made.PLAN),) for name, one in made.COURSES.items()},
    )
    since = "fell, since the first time after the start", "fell, shown at the end alone"
    yield (
        "Since when",
        {name: since_sentences([made.COURSES[name]], made.PLAN) for name in since},
    )
    yield (
        "When to stop",
        {
            name: stop_sentences([made.course(ending=one)], made.PLAN)
            for name, one in made.STOPS.items()
        },
    )
    yield (
        "Several levels and sizes together",
        {
            "one size": _of_courses(made.AT_BOTH),
            "two sizes": _of_courses(made.BOTH_SIZES),
            "one level without the other": _of_courses([*made.BOTH_SIZES[1:]]),
            "bounds": _of_courses(made.BELOW_AT_BOTH),
            "span": _of_courses(made.SPANS),
        },
    )
    yield (
        "The same where the size is expected to rise",
        {"rose": _of_courses([made.RISEN], made.RISING)},
    )
    yield (
        "Two levels compared",
        {name: (finding_sentence(one, made.ALONE),) for name, one in made.FINDINGS.items()},
    )
    yield (
        "Does the factor matter",
        {name: factor_sentences([one], made.PLAN) for name, one in made.FACTORS.items()}
        | {
            "many pairs of levels": factor_sentences(made.MANY_PAIRS, made.PLAN),
            "no pair of many": factor_sentences(made.NO_PAIRS, made.PLAN),
            "several sizes": factor_sentences(made.SEVERAL_SIZES, made.PLAN),
            "two factors together": factor_sentences([made.JOINED], made.TOGETHER),
        },
    )
    benches = {name: bench_sentences(one) for name, one in made.BENCHES.items()}
    yield "Do the groups agree", {**benches, "several sizes": bench_sentences(made.BENCH_SIZES)}
    yield (
        "Is the balance good enough",
        {name: (balance_sentence(one),) for name, one in made.BALANCES.items()},
    )
    yield (
        "What next",
        {one.kind.value: advice_sentences([("D50", one), ("D90", one)]) for one in made.ADVICE},
    )

    stated = made.replace(made.LEFT, is_stated=True)
    yield (
        "What it rests on",
        {
            "no margin stated": course_notes([made.course(ending=made.LEFT)], made.PLAN),
            "something was not estimated": course_notes(made.WITHSTOOD, made.PLAN)[-1:],
            "one family": course_notes([made.course(ending=stated)], made.STRICT),
        },
    )


def written():
    lines = ["# Every sentence on a trial", "", "Invented records; made by test_every_sentence.py."]
    for heading, examples in sections():
        lines += ["", f"## {heading}"]
        for name, sentences in examples.items():
            lines += ["", f"{name}:", *(f"- {one}" for one in sentences)]
    for heading, told in remarks.items():
        lines += ["", f"## Remarks: {heading}", ""]
        lines += [f"- {one.kind.name}: {sentence(one)}" for one in told]
    return "\n".join([*lines, ""])


def test_the_sentences_are_those_that_were_approved():
    assert written() == PAGE.read_text(encoding="utf-8")


def _kinds(parent=RemarkKind):
    for kind in parent.__subclasses__():
        yield from (kind, *_kinds(kind))


def test_every_kind_of_remark_has_words_and_an_example():
    told = {one.kind for own in remarks.values() for one in own} | {one.kind for one in made.ADVICE}
    assert {str(kind) for kind in told} == set(wordings())
    library = [one for one in _kinds() if one.__module__.startswith("psdstats.")]
    assert len(library) > 10
    assert told == {kind for one in library for kind in one}


def test_sentences_are_sentences():
    for _, examples in sections():
        for told in (one for said in examples.values() for one in said):
            assert told[0].isupper() or told[0].isdigit()
            assert told.endswith(".")
    wrong = ("nan", "–", "∞", "inf ", "  ", "..", " ,", "( ", " a run", " a step", "from memory")
    assert [one for one in wrong if one in written()] == []


def test_numbers_take_the_sign_of_the_reader():
    small = made.COURSES["fell, shown at the end alone"]
    told = course_sentence(small, made.PLAN)
    comma = course_sentence(small, made.PLAN, Numerals(","))
    assert "3.6 % (at least 1.2 %)" in told
    assert "3,6 % (at least 1,2 %)" in comma
    assert not re.search(r"\d\.\d", comma)


def test_several_sizes_and_levels_are_told_in_as_many_sentences_as_there_are_facts():
    told = _of_courses(made.BOTH_SIZES)
    assert len(told) == 4  # each size once, since when once, when to stop once
    both = "At both levels of ball ratio, D90 and D50"
    assert told[-2] == f"{both} are finer than at 0 min from 6 min on."
    assert told[-1].startswith(f"{both} were still falling at the end: ")


if __name__ == "__main__":
    PAGE.write_text(written(), encoding="utf-8")
