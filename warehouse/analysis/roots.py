"""Where a function of one number crosses zero."""

from collections.abc import Callable
from math import copysign


def crossing(
    function: Callable[[float], float], low: float, high: float, *, within: float, share: float = 2**-50
) -> float:
    """The zero of ``function`` between two points at which its signs differ.

    ``within``, ``share``: how far off it may be, of itself and for each unit of its size. Written out, step for step as
    SciPy's ``brentq``, because to import ``scipy.optimize`` takes longer than to answer a page. Raises ValueError where
    the signs do not differ or a value is no number, ArithmeticError after ten thousand steps.
    Source: Brent 1973, Algorithms for Minimization without Derivatives, ch. 4.
    """
    last, at, other = low, high, low
    f_last, f_at, f_other = function(low), function(high), 0.0
    before = step = 0.0
    if f_last == 0.0:
        return low
    if f_at != 0.0 and not (f_last < 0.0 < f_at or f_at < 0.0 < f_last):
        raise ValueError(f"no change of sign between {low:g} ({f_last:g}) and {high:g} ({f_at:g})")
    for _ in range(10_000):
        if f_last != 0.0 != f_at and (f_last < 0.0) != (f_at < 0.0):
            other, f_other = last, f_last
            before = step = at - last
        if abs(f_other) < abs(f_at):
            last, at, other = at, other, at
            f_last, f_at, f_other = f_at, f_other, f_at
        least, half = (within + share * abs(at)) / 2.0, (other - at) / 2.0
        if f_at == 0.0 or abs(half) < least:
            return at
        tried = half
        if abs(before) > least and abs(f_at) < abs(f_last):
            if last == other:
                tried = -f_at * (at - last) / (f_at - f_last)
            else:
                by_last, by_other = (f_last - f_at) / (last - at), (f_other - f_at) / (other - at)
                tried = -f_at * (f_other * by_other - f_last * by_last) / (by_other * by_last * (f_other - f_last))
        is_good = tried is not half and 2.0 * abs(tried) < min(abs(before), 3.0 * abs(half) - least)
        before, step = (step, tried) if is_good else (half, half)
        last, f_last = at, f_at
        at += step if abs(step) > least else copysign(least, half)
        f_at = function(at)
        if f_at != f_at:
            raise ValueError(f"no number at {at:g}")
    raise ArithmeticError(f"no zero found in ten thousand steps between {low:g} and {high:g}")
