"""Words that several pages share: column names, full stops, minus signs."""

from __future__ import annotations

from collections.abc import Iterable

__all__ = ["as_sentence", "column_words", "said_once"]

_TIME = "milling_time_min"


def column_words(column: str) -> str:
    """A column name in words.

    Examples
    --------
    >>> column_words("milling_time_min"), column_words("ball_ratio")
    ('milling time', 'ball ratio')
    """
    return "milling time" if column == _TIME else column.replace("_", " ")


def as_sentence(text: str, *, begins_with_name: bool = False) -> str:
    """A clause as a sentence: capital letter, full stop, column names in words, minus signs.

    Parameters
    ----------
    text : str
        The clause.
    begins_with_name : bool, default=False
        Whether it begins with the name of a group, which keeps its letters.

    Examples
    --------
    >>> as_sentence("no change with milling_time_min is shown (-1.5 points)")
    'No change with milling time is shown (−1.5 points).'
    """
    text = text.replace(_TIME, "milling time").replace("ball_ratio", "ball ratio")
    text = "".join(
        "−" if sign == "-" and _is_minus(text, at) else sign for at, sign in enumerate(text)
    )
    if not begins_with_name:
        text = text[:1].upper() + text[1:]
    return text if text.endswith((".", "?", "!")) else text + "."


def said_once(sentences: Iterable[str], *, begins_with_name: bool = False) -> tuple[str, ...]:
    """Sentences in their order, each once, as `as_sentence` writes them."""
    written = (as_sentence(text, begins_with_name=begins_with_name) for text in sentences)
    return tuple(dict.fromkeys(written))


def _is_minus(text: str, at: int) -> bool:
    """Whether a hyphen is the sign of a number: a digit follows, no word comes before."""
    before = text[at - 1] if at else " "
    return text[at + 1 : at + 2].isdigit() and (before in " (±" or not at)
