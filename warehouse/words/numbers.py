"""Numbers as text, set the same way everywhere. One case's value has 1 decimal, a mean or a ratio 2."""

import re
from collections.abc import Mapping, Sequence
from math import isfinite

from warehouse.plural import number_of
from warehouse.results import Interval

NOTHING_COUNTED = "no case could be counted"


def number(value: float | None, *, digits: int = 2) -> str:
    """A number with a real minus sign; a dash where there is none, ``without end`` where it is infinite."""
    if value is None:
        return "—"
    if not isfinite(value):
        return "without end"
    text = f"{value:.{digits}f}"
    is_zero = not text.strip("-0.")
    return text.lstrip("-") if is_zero else text.replace("-", "−")


def signed(value: float | None, *, digits: int = 1) -> str:
    """A number with its sign, plus too; one that rounds to nothing has none."""
    text = number(value, digits=digits)
    return f"+{text}" if value is not None and value > 0 and text.strip("0.") else text


def percent(share: float | None, *, digits: int = 1) -> str:
    """A share as a percentage; words where there is none."""
    return NOTHING_COUNTED if share is None else f"{100 * share:.{digits}f}%"


def between(low: float, high: float, *, digits: int = 1) -> str:
    """Two ends of a range of shares."""
    return f"{percent(low, digits=digits)} to {percent(high, digits=digits)}"


def percent_range(interval: Interval | None, *, digits: int = 1) -> str:
    """An interval of shares."""
    return "no interval" if interval is None else between(interval.low, interval.high, digits=digits)


def points(value: float | None, *, digits: int = 1) -> str:
    """A difference of shares in percentage points, with its sign."""
    return signed(None if value is None else 100 * value, digits=digits)


def points_range(interval: Interval | None) -> str:
    """An interval of differences in percentage points."""
    return "no interval" if interval is None else f"{points(interval.low)} to {points(interval.high)}"


def signed_range(low: float, high: float) -> str:
    """Two ends of a range of mean changes."""
    return f"{signed(low, digits=2)} to {signed(high, digits=2)}"


def span(interval: Interval | None, *, digits: int = 2, scale: float = 1.0) -> str:
    """An interval as "low to high"; a dash where there is none."""
    if interval is None:
        return "—"
    return f"{number(scale * interval.low, digits=digits)} to {number(scale * interval.high, digits=digits)}"


def p_words(p_value: float | None) -> str:
    """A p value; words where there was no test."""
    if p_value is None:
        return "no test"
    return "p < 0.001" if p_value < 0.001 else f"p = {p_value:.2g}" if p_value < 0.1 else f"p = {p_value:.2f}"


def p_bare(p_value: float | None) -> str:
    """A p value for a column that is called so."""
    return p_words(p_value).removeprefix("p = ").removeprefix("p ")


def level_name(level: float) -> str:
    """The name of an interval of that level."""
    return f"{100 * level:g}% interval"


def and_list(words: Sequence[str]) -> str:
    """Words joined by commas and a last "and"; "nothing" for none."""
    if not words:
        return "nothing"
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"


def cases(n: int) -> str:
    """A number of cases."""
    return number_of(n, "case")


def counted(n_adverse: int, n: int) -> str:
    """A count with its share: "24 of 82 (29.3%)"."""
    return f"{n_adverse:,} of {n:,} ({percent(n_adverse / n)})" if n else "none counted"


def column_words(text: str) -> str:
    """Names of model columns as a person reads them: ``age'`` is its curved part, ``sex=male`` a level."""
    return re.sub(r"(?<=\w)=(?=\w)", ": ", re.sub(r"(?<=\w)'+(?!\w)", " (curved part)", text))


def left_out_words(left_out: Mapping[str, int]) -> str:
    """Who was left out and why; empty where nobody was."""
    return ", ".join(f"{cases(n)} ({reason})" for reason, n in left_out.items() if n)


def uncapped(text: str) -> str:
    """A sentence to be said on after a colon: without its capital."""
    return text[:1].lower() + text[1:]


def sentence(text: str) -> str:
    """The text with a capital letter and a full stop."""
    ended = text if text.endswith((".", "!", "?")) else f"{text}."
    return ended[:1].upper() + ended[1:]
