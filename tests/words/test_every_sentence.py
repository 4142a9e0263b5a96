"""Every kind of sentence on a trial, read as a whole: the approved page lies beside this file.

`python tests/words/test_every_sentence.py` writes it anew; read the difference before committing.
"""

import importlib.util
import re
from pathlib import Path

from psdstats.findings import RemarkKind
from psdstats.words.benches import bench_sentences
from psdstats.words.courses import (
    advice_sentences,
    balance_sentence,
    course_notes,
    course_sentence,
    factor_sentences,
    stop_sentence,
)
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


def sections():
    yield (
        "Has it fallen, and since when",
        {name: (course_sentence(one, made.PLAN),) for name, one in made.COURSES.items()},
    )
    yield (
        "When to stop",
        {
            name: (stop_sentence(made.course(ending=one), made.PLAN),)
            for name, one in made.STOPS.items()
        },
    )
    yield (
        "The same where the size is expected to rise",
        {
            "rose": (course_sentence(made.RISEN, made.RISING),),
            "still rising": (stop_sentence(made.RISEN, made.RISING),),
        },
    )
    yield (
        "Does the factor matter",
        {name: factor_sentences([one], made.PLAN) for name, one in made.FACTORS.items()}
        | {
            "many pairs of levels": factor_sentences(made.MANY_PAIRS, made.PLAN),
            "no pair of many": factor_sentences(made.NO_PAIRS, made.PLAN),
            "two factors together": factor_sentences([made.JOINED], made.TOGETHER),
        },
    )
    yield "Do the groups agree", {name: bench_sentences(one) for name, one in made.BENCHES.items()}
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
    assert told == set(wordings())
    library = [one for one in _kinds() if one.__module__.startswith("psdstats.")]
    assert len(library) > 10
    assert told == {kind for one in library for kind in one}


def test_sentences_are_sentences():
    for _, examples in sections():
        for told in (one for said in examples.values() for one in said):
            assert told[0].isupper() or told[0].isdigit()
            assert told.endswith(".")
    assert not any(wrong in written() for wrong in ("nan", "inf ", "  ", "..", " ,", "( "))


def test_numbers_take_the_sign_of_the_reader():
    told = course_sentence(made.COURSES["fell, since the first time after the start"], made.PLAN)
    comma = course_sentence(
        made.COURSES["fell, since the first time after the start"], made.PLAN, Numerals(",")
    )
    assert "0.417" in told
    assert "0,417" in comma
    assert not re.search(r"\d\.\d", comma)


if __name__ == "__main__":
    PAGE.write_text(written(), encoding="utf-8")
