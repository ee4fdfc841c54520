"""Intraclass correlation in the six forms of Shrout and Fleiss.

ICC(1,.) when each record is read by other readers, ICC(2,.) when a sample of readers reads all and readers in general
are meant, ICC(3,.) when only these readers are; (.,1) for one reading, (.,k) for the mean of k. The value depends on
how much the records differ among themselves: it is no property of the method alone.

pingouin computes the same figures, but rounds its intervals to two digits; hence own code.
Source: Shrout & Fleiss 1979, Psychol Bull 86:420; McGraw & Wong 1996, Psychol Methods 1:30.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import inf, isfinite
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from warehouse.analysis.inputs import check_length, z_value
from warehouse.analysis.spline import FloatArray
from warehouse.errors import RequestError
from warehouse.results import Caution, Estimate, Interval, no_estimate

FORMS: Final = ("ICC(1,1)", "ICC(2,1)", "ICC(3,1)", "ICC(1,k)", "ICC(2,k)", "ICC(3,k)")


@dataclass(frozen=True, slots=True, kw_only=True)
class MeanSquares:
    """Two-way analysis of variance of ``n`` records by ``k`` readers."""

    between_records: float
    within_records: float
    between_readers: float
    residual: float
    n: int
    k: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Intraclass:
    """The six forms."""

    forms: Mapping[str, Estimate]  # Form -> estimate with F interval and the p value of the F test that it is zero
    mean_squares: MeanSquares | None  # What they are made of; None when there is too little data
    left_out: int  # Records with a missing reading


def _mean_squares(ratings: FloatArray) -> MeanSquares:
    n, k = ratings.shape
    grand, rows, columns = ratings.mean(), ratings.mean(axis=1), ratings.mean(axis=0)
    residual = ratings - rows[:, None] - columns[None, :] + grand
    rounding = 1e-24 * float((ratings**2).sum())

    def mean_square(total: float, df: int) -> float:
        return total / df if total > rounding else 0.0

    return MeanSquares(
        between_records=mean_square(float(k * ((rows - grand) ** 2).sum()), n - 1),
        within_records=mean_square(float(((ratings - rows[:, None]) ** 2).sum()), n * (k - 1)),
        between_readers=mean_square(float(n * ((columns - grand) ** 2).sum()), k - 1),
        residual=mean_square(float((residual**2).sum()), (n - 1) * (k - 1)),
        n=n,
        k=k,
    )


def _f_quantile(p: float, df1: float, df2: float) -> float:
    from scipy.special import betaincinv

    share = float(betaincinv(df1 / 2.0, df2 / 2.0, p))
    return df2 * share / (df1 * (1.0 - share)) if share < 1.0 else inf


def _f_tail(f: float, df1: float, df2: float) -> float:
    from scipy.special import fdtrc

    return float(fdtrc(df1, df2, f))


def _single(ratio: float, k: int) -> float:
    """The single-reading correlation that goes with a variance ratio."""
    return (ratio - 1.0) / (ratio + k - 1.0)


def _mean_of(single: float, k: int) -> float:
    """Spearman-Brown: from one reading to the mean of k."""
    below = 1.0 + (k - 1) * single
    return k * single / below if below > 0.0 else -inf


def _one_ratio(f: float, df1: int, df2: int, k: int, level: float) -> tuple[Interval, Interval]:
    """Intervals of the single and mean forms (1,.) or (3,.) from their F ratio."""
    upper = 0.5 + level / 2.0
    low, high = f / _f_quantile(upper, df1, df2), f * _f_quantile(upper, df2, df1)
    single = Interval(_single(low, k), _single(high, k), level)
    return single, Interval(1.0 - 1.0 / low, 1.0 - 1.0 / high, level)


def _two_way_interval(m: MeanSquares, icc: float, level: float) -> Interval:
    """Interval of ICC(2,1) with Satterthwaite's degrees of freedom."""
    n, k, b, j, e = m.n, m.k, m.between_records, m.between_readers, m.residual
    f_readers = j / e
    common = n * (1.0 + (k - 1) * icc) - k * icc
    above = (k - 1) * (n - 1) * (k * icc * f_readers + common) ** 2
    df = above / ((n - 1) * (k * icc * f_readers) ** 2 + common**2)
    upper = 0.5 + level / 2.0
    high_f, low_f = _f_quantile(upper, n - 1, df), _f_quantile(upper, df, n - 1)
    rest = k * j + (k * n - k - n) * e
    low = n * (b - high_f * e) / (high_f * rest + n * b)
    return Interval(low, n * (low_f * b - e) / (rest + n * low_f * b), level)


def _ratio(above: float, below: float) -> float | None:
    return above / below if below > 0.0 else None


def _points(m: MeanSquares) -> dict[str, float | None]:
    b, w, j, e, k = m.between_records, m.within_records, m.between_readers, m.residual, m.k
    readers = (j - e) / m.n
    return {
        "ICC(1,1)": _ratio(b - w, b + (k - 1) * w),
        "ICC(2,1)": _ratio(b - e, b + (k - 1) * e + k * readers),
        "ICC(3,1)": _ratio(b - e, b + (k - 1) * e),
        "ICC(1,k)": _ratio(b - w, b),
        "ICC(2,k)": _ratio(b - e, b + readers),
        "ICC(3,k)": _ratio(b - e, b),
    }


def _intervals(m: MeanSquares, icc2: float | None, level: float) -> dict[str, Interval]:
    n, k = m.n, m.k
    found: dict[str, Interval] = {}
    if m.within_records > 0.0 and m.between_records > 0.0:
        one, mean = _one_ratio(m.between_records / m.within_records, n - 1, n * (k - 1), k, level)
        found |= {"ICC(1,1)": one, "ICC(1,k)": mean}
    if m.residual > 0.0 and m.between_records > 0.0 and icc2 is not None:
        one, mean = _one_ratio(m.between_records / m.residual, n - 1, (n - 1) * (k - 1), k, level)
        two = _two_way_interval(m, icc2, level)
        low, high = _mean_of(two.low, k), _mean_of(two.high, k)
        found |= {"ICC(3,1)": one, "ICC(3,k)": mean, "ICC(2,1)": two, "ICC(2,k)": Interval(low, high, level)}
    return found


def _p_values(m: MeanSquares) -> dict[str, float]:
    n, k = m.n, m.k
    found: dict[str, float] = {}
    if m.within_records > 0.0:
        p = _f_tail(m.between_records / m.within_records, n - 1, n * (k - 1))
        found |= {"ICC(1,1)": p, "ICC(1,k)": p}
    if m.residual > 0.0:
        p = _f_tail(m.between_records / m.residual, n - 1, (n - 1) * (k - 1))
        found |= dict.fromkeys(("ICC(2,1)", "ICC(3,1)", "ICC(2,k)", "ICC(3,k)"), p)
    return found


def intraclass(ratings: ArrayLike, *, level: float = 0.95) -> Intraclass:
    """The six intraclass correlations of ``ratings``.

    ``ratings``: one row a record, one column a reader (or repeat), shape ``(n, k)``; a record with a missing reading is
    left out. ``level``: coverage of the F intervals. Gives estimates without bounds at zero: a negative value means
    that readings of one record differ more than those of different ones. None below two complete records or two
    readers, or when no reading differs from another. With readers in perfect step the interval is None, because the F
    ratio has no end. Raises RequestError where ``ratings`` is not a table, or the level is impossible.
    """
    z_value(level)
    table = np.asarray(ratings, dtype=np.float64)
    if table.ndim != 2:
        found = f"readings with {table.ndim} dimensions"
        raise RequestError(found, expected="one row a record and one column a reader")
    kept = np.isfinite(table).all(axis=1)
    table = table[kept]
    lost = int((~kept).sum())
    reason = _why_none(table)
    if reason:
        nothing = {
            f: no_estimate(estimand=f, method=_METHOD, n=len(table), reason=reason, unit="correlation") for f in FORMS
        }
        return Intraclass(forms=nothing, mean_squares=None, left_out=lost)
    m = _mean_squares(table)
    points, p_values = _points(m), _p_values(m)
    intervals = _intervals(m, points["ICC(2,1)"], level)
    forms = {f: _form(f, points[f], intervals.get(f), p_values.get(f), m.n, lost) for f in FORMS}
    return Intraclass(forms=forms, mean_squares=m, left_out=lost)


_METHOD: Final = "analysis of variance, F interval and test"


def _why_none(table: FloatArray) -> Caution | None:
    n, k = table.shape
    if n < 2 or k < 2:
        return Caution("no_data", "too_few_records_for_correlation")
    if np.ptp(table) == 0.0:
        return Caution("no_data", "all_readings_equal")
    return None


def _form(
    form: str, value: float | None, interval: Interval | None, p_value: float | None, n: int, lost: int
) -> Estimate:
    cautions: tuple[Caution, ...] = ()
    if interval is not None and not (isfinite(interval.low) and isfinite(interval.high)):
        interval = None
    if value is None or interval is None:
        cautions = (Caution("no_data", "no_variation_for_form" if value is None else "no_variation_for_interval"),)
    return Estimate(
        estimand=form,
        value=value,
        interval=None if value is None else interval,
        method=_METHOD,
        n=n,
        left_out={"a reading missing": lost} if lost else {},
        p_value=p_value,
        unit="correlation",
        warnings=cautions,
    )


FEW_CLASSED: Final = 100  # records below which the interval of kappa has a caution (trial runs of the proof)


def kappa(first: Sequence[str], second: Sequence[str], *, order: Sequence[str] = (), level: float = 0.95) -> Estimate:
    """Agreement of two readings in classes, beyond chance: Cohen's kappa, weighted with an ``order``.

    Weights fall with the square of the distance in ``order``. The interval is that of large samples. None without a
    record, or where all records are of one class, so that chance alone agrees.

    Source: Cohen 1960, Educ Psychol Meas 20:37; Fleiss, Cohen & Everitt 1969, Psychol Bull 72:323 (errors).
    """
    check_length(len(second), len(first), what="the list of second readings")
    z = z_value(level)
    estimand, n = f"{'weighted ' if order else ''}kappa of two readings", len(first)
    method = "Cohen's kappa, large-sample interval of Fleiss, Cohen and Everitt"
    classes = list(order) or sorted({*first, *second})
    if n == 0 or len({*first, *second}) < 2:
        reason = Caution("no_data", "nothing_to_class" if n == 0 else "one_class_only")
        return no_estimate(estimand=estimand, method=method, n=n, reason=reason, unit="kappa")
    place = {name: i for i, name in enumerate(classes)}
    shares = np.zeros((len(classes), len(classes)))
    for one, two in zip(first, second, strict=True):
        shares[place[one], place[two]] += 1.0 / n
    apart = np.subtract.outer(np.arange(len(classes)), np.arange(len(classes))) ** 2
    weights = 1.0 - (apart / apart.max() if order else apart > 0)
    rows, columns = shares.sum(axis=1), shares.sum(axis=0)
    by_chance = float(rows @ weights @ columns)
    value = (float((weights * shares).sum()) - by_chance) / (1.0 - by_chance)
    means = np.add.outer(weights @ columns, rows @ weights)
    spread = float((shares * (weights - means * (1.0 - value)) ** 2).sum()) - (value - by_chance * (1.0 - value)) ** 2
    variance = spread / (n * (1.0 - by_chance) ** 2)
    half = z * variance**0.5 if variance > 0.0 else 0.0
    return Estimate(
        estimand=estimand,
        value=value,
        interval=Interval(max(-1.0, value - half), min(1.0, value + half), level) if half > 0.0 else None,
        method=method,
        n=n,
        unit="kappa",
        warnings=(Caution("small_sample", "few_classed", {"n": n}),) if n < FEW_CLASSED else (),
    )
