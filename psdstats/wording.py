"""Numbers and names in sentences that people read: real minus signs, columns in words."""

from __future__ import annotations

__all__ = ["column_words", "signed"]


def column_words(column: str) -> str:
    """Put the name of a column of the run table into words.

    Parameters
    ----------
    column : str
        The name.

    Returns
    -------
    str
        The name without its unit and underscores.

    Examples
    --------
    >>> column_words("milling_time_min"), column_words("ball_ratio")
    ('milling time', 'ball ratio')
    """
    return "milling time" if column == "milling_time_min" else column.replace("_", " ")


def signed(value: float, spec: str = "g") -> str:
    """Put a number into text with U+2212 as its minus, and none before a rounded zero.

    Parameters
    ----------
    value : float
        The number.
    spec : str, default="g"
        Format specification, such as ".2f" or "+.1f".

    Returns
    -------
    str
        The text, ∞ for infinity; tables and figures have rules of their own in `psdstats.output`.

    Examples
    --------
    >>> signed(-2.71, ".1f"), signed(0.25, "+.0%"), signed(-1e-7), signed(-0.04, ".1f")
    ('−2.7', '+25%', '−1e−07', '0.0')
    >>> signed(float("-inf"), ".1f")
    '−∞'
    """
    text = format(value, spec).replace("-", "−").replace("inf", "∞")
    return text if any(sign in text for sign in "123456789∞") else text.lstrip("−")
