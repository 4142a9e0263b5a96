"""Words that several pages share: full stops, each sentence once."""

from __future__ import annotations

from collections.abc import Iterable

__all__ = ["as_sentence", "said_once"]

_TIME = "milling_time_min"


def as_sentence(text: str, *, begins_with_name: bool = False) -> str:
    """A clause as a sentence: capital letter, full stop, column names in words.

    Parameters
    ----------
    text : str
        The clause.
    begins_with_name : bool, default=False
        Whether it begins with the name of a group, which keeps its letters.

    Examples
    --------
    >>> as_sentence("no change with milling_time_min is shown")
    'No change with milling time is shown.'
    """
    text = text.replace(_TIME, "milling time").replace("ball_ratio", "ball ratio")
    if not begins_with_name:
        text = text[:1].upper() + text[1:]
    return text if text.endswith((".", "?", "!")) else text + "."


def said_once(sentences: Iterable[str], *, begins_with_name: bool = False) -> tuple[str, ...]:
    """Sentences in their order, each once, as `as_sentence` writes them."""
    written = (as_sentence(text, begins_with_name=begins_with_name) for text in sentences)
    return tuple(dict.fromkeys(written))
