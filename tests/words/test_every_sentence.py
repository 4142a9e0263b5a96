"""Every kind of sentence on a trial, read as a whole: the approved page lies beside this file.

`python tests/words/test_every_sentence.py` writes it anew; read the difference before committing.
"""

import importlib.util
import re
from pathlib import Path

from psdstats.comparison.advice import AdviceRemark
from psdstats.words.courses import (
    advice_sentences,
    balance_sentence,
    bench_sentences,
    course_notes,
    course_sentence,
    factor_sentences,
    stop_sentence,
)
from psdstats.words.numbers import Numerals

HERE = Path(__file__).parent
PAGE = HERE / "every_sentence.md"
_spec = importlib.util.spec_from_file_location("trial_records", HERE / "trial_records.py")
made = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(made)


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
        {name: factor_sentences(one) for name, one in made.FACTORS.items()},
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
            "one family": course_notes([made.course(ending=stated)], made.STRICT),
        },
    )


def written():
    lines = ["# Every sentence on a trial", "", "Invented records; made by test_every_sentence.py."]
    for heading, examples in sections():
        lines += ["", f"## {heading}"]
        for name, sentences in examples.items():
            lines += ["", f"{name}:", *(f"- {one}" for one in sentences)]
    return "\n".join([*lines, ""])


def test_the_sentences_are_those_that_were_approved():
    assert written() == PAGE.read_text(encoding="utf-8")


def test_every_advice_has_an_example():
    assert {one.kind for one in made.ADVICE} == set(AdviceRemark)


def test_sentences_are_sentences():
    for _, examples in sections():
        for sentence in (one for said in examples.values() for one in said):
            assert sentence[0].isupper() or sentence[0].isdigit()
            assert sentence.endswith(".")
            assert not any(wrong in sentence for wrong in ("nan", "inf ", "  ", "..", " ,", "( "))


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
