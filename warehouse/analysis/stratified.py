"""Mantel-Haenszel comparison of two groups within strata (vertical type, age band ...).

The estimand is one odds ratio, risk ratio or risk difference taken to be common to all strata; two independent
binomial groups a stratum. It removes confounding by what defines the strata and by nothing else, and means little
when the strata disagree (see :mod:`warehouse.analysis.stratified`).

statsmodels' ``StratifiedTable`` gives the odds ratio rightly, but has no interval for the risk ratio, no risk
difference, and divides by zero when a stratum lacks one of the groups; hence own code.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from math import exp, log, sqrt
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from warehouse.analysis.inputs import check_counts, check_method, normal_p_value, z_value
from warehouse.results import Caution, Estimate, Interval, no_estimate

Measure = Literal["odds_ratio", "risk_ratio", "risk_difference"]
_ESTIMANDS: Final = {
    "odds_ratio": "common odds ratio across strata, first group over second",
    "risk_ratio": "common risk ratio across strata, first group over second",
    "risk_difference": "common risk difference across strata, first group minus second",
}


_METHODS: Final = {
    "odds_ratio": "Mantel-Haenszel with Robins-Breslow-Greenland interval",
    "risk_ratio": "Mantel-Haenszel with Greenland-Robins interval",
    "risk_difference": "Mantel-Haenszel with Sato-Greenland-Robins interval",
}


@dataclass(frozen=True, slots=True)
class Stratum:
    """One stratum: ``x1`` of ``n1`` cases of the first group adverse, ``x2`` of ``n2`` of the second.

    Raises RequestError where either pair is not a count of cases.
    """

    name: str
    x1: int
    n1: int
    x2: int
    n2: int

    def __post_init__(self) -> None:
        check_counts(self.x1, self.n1, where=f"stratum {self.name}, first group")
        check_counts(self.x2, self.n2, where=f"stratum {self.name}, second group")

    @property
    def informative(self) -> bool:
        """Whether both groups are present, so that the stratum compares anything."""
        return self.n1 > 0 and self.n2 > 0

    @property
    def n(self) -> int:
        """Cases in the stratum."""
        return self.n1 + self.n2


@dataclass(frozen=True, slots=True)
class Cells:
    """The cells of the informative strata as columns of shape ``(k,)``: a, b of group one, c, d of group two."""

    a: NDArray[np.float64]
    b: NDArray[np.float64]
    c: NDArray[np.float64]
    d: NDArray[np.float64]

    @property
    def n1(self) -> NDArray[np.float64]:
        """Cases of the first group."""
        return self.a + self.b

    @property
    def n2(self) -> NDArray[np.float64]:
        """Cases of the second group."""
        return self.c + self.d

    @property
    def n(self) -> NDArray[np.float64]:
        """Cases of both."""
        return self.n1 + self.n2


def cells_of(strata: Sequence[Stratum]) -> Cells:
    """The informative strata as arrays."""
    kept = [s for s in strata if s.informative]
    table = np.array([(s.x1, s.n1 - s.x1, s.x2, s.n2 - s.x2) for s in kept], dtype=np.float64).reshape(-1, 4)
    return Cells(*table.T)


def left_out_of(strata: Sequence[Stratum]) -> dict[str, int]:
    """Cases in strata that hold one group only."""
    lost = sum(s.n for s in strata if not s.informative)
    return {"stratum holds one of the groups only": lost} if lost else {}


def _odds(cells: Cells) -> tuple[float, float] | None:
    """Log odds ratio and Robins-Breslow-Greenland variance (1986, Biometrics 42:311)."""
    r, s = cells.a * cells.d / cells.n, cells.b * cells.c / cells.n
    p, q = (cells.a + cells.d) / cells.n, (cells.b + cells.c) / cells.n
    total_r, total_s = float(r.sum()), float(s.sum())
    if total_r <= 0.0 or total_s <= 0.0:
        return None
    variance = (
        float((p * r).sum()) / (2.0 * total_r**2)
        + float((p * s + q * r).sum()) / (2.0 * total_r * total_s)
        + float((q * s).sum()) / (2.0 * total_s**2)
    )
    return log(total_r / total_s), variance


def _risks(cells: Cells) -> tuple[float, float] | None:
    """Log risk ratio and Greenland-Robins variance (1985, Biometrics 41:55)."""
    r, s = float((cells.a * cells.n2 / cells.n).sum()), float((cells.c * cells.n1 / cells.n).sum())
    if r <= 0.0 or s <= 0.0:
        return None
    events = cells.a + cells.c
    numerator = (events * cells.n1 * cells.n2 - cells.a * cells.c * cells.n) / cells.n**2
    return log(r / s), float(numerator.sum()) / (r * s)


def _difference(cells: Cells) -> tuple[float, float] | None:
    """Risk difference and its dually consistent variance (Sato 1989, Biometrics 45:1323)."""
    a, c, n1, n2, n = cells.a, cells.c, cells.n1, cells.n2, cells.n
    weight = float((n1 * n2 / n).sum())
    value = float(((a * n2 - c * n1) / n).sum()) / weight
    p = (n1**2 * c - n2**2 * a + n1 * n2 * (n2 - n1) / 2.0) / n**2
    q = (a * (n2 - c) + c * (n1 - a)) / (2.0 * n)
    return value, max(0.0, float((value * p + q).sum())) / weight**2


_FORMULAS: Final[dict[str, Callable[[Cells], tuple[float, float] | None]]] = {
    "odds_ratio": _odds,
    "risk_ratio": _risks,
    "risk_difference": _difference,
}


def _back(measure: str, centre: float, half: float, level: float) -> tuple[float, Interval]:
    if measure == "risk_difference":
        return centre, Interval(max(-1.0, centre - half), min(1.0, centre + half), level)
    return exp(centre), Interval(exp(centre - half), exp(centre + half), level)


def _why_none(cells: Cells, measure: str) -> Caution:
    if cells.a.size == 0:
        return Caution("no_data", "no_stratum_with_both")
    ended = "odds" if measure == "odds_ratio" else "shares"
    return Caution("no_data", "no_finite_stratified_ratio", {"ended": ended})


def mantel_haenszel(
    strata: Sequence[Stratum],
    *,
    measure: Measure = "odds_ratio",
    level: float = 0.95,
    adjusted_for: tuple[str, ...] = (),
) -> Estimate:
    """The Mantel-Haenszel estimate over all strata that hold both groups.

    ``strata``: the strata, in any order; those with one group only are left out and counted. ``measure``:
    ``odds_ratio``, ``risk_ratio`` or ``risk_difference``. ``adjusted_for``: what the strata are made of, to travel with
    the result. Gives an estimate in the unit ``ratio`` or ``proportion`` with a Wald p value. Its value is None when no
    stratum is informative, or when a ratio has a zero numerator or denominator overall; single zero cells do no harm.
    Raises RequestError where the measure or level is impossible.

    Source: Mantel & Haenszel 1959, JNCI 22:719; Robins, Breslow & Greenland 1986, Biometrics 42:311; Greenland &
    Robins 1985, Biometrics 41:55; Sato 1989, Biometrics 45:1323.
    """
    check_method(measure, _FORMULAS)
    z = z_value(level)
    cells = cells_of(strata)
    used = int(cells.n.sum())
    unit = "proportion" if measure == "risk_difference" else "ratio"
    found = _FORMULAS[measure](cells) if cells.a.size else None
    if found is None:
        reason = _why_none(cells, measure)
        return no_estimate(estimand=_ESTIMANDS[measure], method=_METHODS[measure], n=used, reason=reason, unit=unit)
    error = sqrt(found[1])
    value, interval = _back(measure, found[0], z * error, level)
    return Estimate(
        estimand=_ESTIMANDS[measure],
        value=value,
        interval=interval,
        method=_METHODS[measure],
        n=used,
        left_out=left_out_of(strata),
        p_value=normal_p_value(found[0] / error) if error > 0.0 else None,
        unit=unit,
        adjusted_for=adjusted_for,
        warnings=_cautions(strata),
    )


def _cautions(strata: Sequence[Stratum]) -> tuple[Caution, ...]:
    lost = [s.name for s in strata if not s.informative and s.n > 0]
    if not lost:
        return ()
    return (Caution("positivity", "strata_of_one_group", {"names": tuple(lost)}),)


@dataclass(frozen=True, slots=True, kw_only=True)
class ChiSquaredTest:
    """A chi-squared test: ``statistic`` on ``df`` degrees of freedom, both None with a warning if impossible."""

    method: str
    statistic: float | None
    df: int
    p_value: float | None
    n: int
    left_out: Mapping[str, int]
    warnings: tuple[Caution, ...] = ()


def chi_squared_p(statistic: float, df: int) -> float:
    """The upper tail of the chi-squared distribution, accurate far out; 1.0 when ``df`` is 0."""
    from scipy.special import chdtrc

    return float(chdtrc(df, statistic)) if df > 0 else 1.0


def _result(
    strata: Sequence[Stratum], method: str, statistic: float | None, df: int, reason: Caution | None = None
) -> ChiSquaredTest:
    return ChiSquaredTest(
        method=method,
        statistic=statistic,
        df=df,
        p_value=None if statistic is None else chi_squared_p(statistic, df),
        n=sum(s.n for s in strata if s.informative),
        left_out=left_out_of(strata),
        warnings=(reason,) if reason else (),
    )


def cmh_test(strata: Sequence[Stratum]) -> ChiSquaredTest:
    """The Cochran-Mantel-Haenszel test, without continuity correction, of no association in any stratum (1 df).

    Strata with one group, or where all cases ended alike, add nothing.

    Source: Mantel & Haenszel 1959, JNCI 22:719.
    """
    method = "Cochran-Mantel-Haenszel test"
    cells = cells_of(strata)
    big = cells.n > 1.0
    a, n1, n2, n = cells.a[big], cells.n1[big], cells.n2[big], cells.n[big]
    events = (cells.a + cells.c)[big]
    variance = float((n1 * n2 * events * (n - events) / (n * n * (n - 1.0))).sum())
    if variance <= 0.0:
        reason = Caution("no_data", "no_stratum_for_association")
        return _result(strata, method, None, 1, reason)
    distance = abs(float((a - n1 * events / n).sum()))
    return _result(strata, method, distance**2 / variance, 1)


def _expected_first(cells: Cells, ratio: float) -> NDArray[np.float64]:
    """Adverse cases expected in group one of each stratum under a common odds ratio, margins kept."""
    events = cells.a + cells.c
    if abs(ratio - 1.0) < 1e-9:
        return np.asarray(cells.n1 * events / cells.n)
    qa = ratio - 1.0
    qb = -(ratio * (cells.n1 + events) + cells.n2 - events)
    qc = ratio * cells.n1 * events
    root = np.sqrt(np.maximum(0.0, qb * qb - 4.0 * qa * qc))
    return np.asarray(2.0 * qc / (root - qb))  # the root within the margins, in its stable form


def breslow_day_test(strata: Sequence[Stratum]) -> ChiSquaredTest:
    """Do the strata share one odds ratio? Breslow-Day with Tarone's correction.

    Strata where all cases ended alike say nothing about an odds ratio and are not counted in the df (k - 1).
    Source: Breslow & Day 1980, IARC 32, p. 142; Tarone 1985, Biometrika 72:91.
    """
    method = "Breslow-Day test with Tarone's correction"
    kept = [s for s in strata if s.informative and 0 < s.x1 + s.x2 < s.n]
    ratio = mantel_haenszel(kept).value
    if ratio is None or len(kept) < 2:
        reason = Caution("no_data", "few_strata_both_outcomes")
        if ratio is None and len(kept) > 1:
            reason = Caution("no_data", "no_common_odds_ratio")
        return _result(strata, method, None, max(0, len(kept) - 1), reason)
    cells = cells_of(kept)
    expected = _expected_first(cells, ratio)
    events = cells.a + cells.c
    parts = np.stack([expected, events - expected, cells.n1 - expected, cells.n2 - events + expected])
    variance = 1.0 / (1.0 / parts).sum(axis=0)
    gap = cells.a - expected
    statistic = float((gap**2 / variance).sum()) - float(gap.sum()) ** 2 / float(variance.sum())
    return _result(strata, method, max(0.0, statistic), len(kept) - 1)
