"""Multiple imputation of an outcome that is missing in some cases.

Own code: the chained equations of statsmodels draw from a normal or predictive-mean model only; here a yes/no outcome
gets a logistic model with proper draws, also under separation, from a stated source of randomness.

Proper means that each completed data set has its own model, drawn from what the observed cases leave uncertain, before
values are drawn from it. Valid if, given group and covariates, missing cases are like the others; whether they are,
the data cannot say, so the bounds and the tipping point belong beside it.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from math import inf, isinf, sqrt

import numpy as np

from warehouse.analysis.design import independent_columns, side_by_side
from warehouse.analysis.group_pair import GroupPair
from warehouse.analysis.inputs import check_level, z_value
from warehouse.analysis.logistic import fit_or_fall_back, risks
from warehouse.analysis.spline import BoolArray, FloatArray
from warehouse.errors import RequestError
from warehouse.results import Caution, Estimate, Interval

_NOTHING = 1e-12  # a share of the variance this small is rounding error


@dataclass(frozen=True, slots=True, kw_only=True)
class ImputedEstimate:
    """A pooled estimate and where its uncertainty comes from."""

    value: float  # Mean of the estimates
    within: float  # Mean of their variances
    between: float  # Variance of the estimates (m - 1)
    total: float  # within + (1 + 1/m) between
    increase: float  # Relative increase of the variance because values are missing
    df: float  # Degrees of freedom; infinite when nothing differs between the sets and no complete-data ones are given
    missing_information: float  # Share of the information that is missing

    def quantile(self, level: float) -> float:
        """Student's quantile for a two-sided interval, the normal one for infinite degrees of freedom."""
        from scipy.special import stdtrit

        return z_value(level) if isinf(self.df) else float(stdtrit(self.df, 0.5 + level / 2.0))

    def interval(self, level: float) -> Interval | None:
        """Value +- t sqrt(total); None without variance or degrees of freedom."""
        if self.total <= 0.0 or self.df <= 0.0:
            return None
        half = self.quantile(level) * sqrt(self.total)
        return Interval(self.value - half, self.value + half, level)

    def share_interval(self, n: int, level: float) -> Interval:
        """Wilson's interval of a share with the variance and degrees of freedom of the imputation.

        It solves (value - p)^2 = t^2 (1 + increase) p (1 - p) / n for p, is Wilson's own with nothing missing, and
        says nothing (0 to 1) where the sets differ but have no variance within.
        Source: Lott & Reiter 2020, Am Stat 74:109 (from memory).
        """
        if isinf(self.increase):
            return Interval(0.0, 1.0, level)
        c = self.quantile(level) ** 2 * (1.0 + self.increase) / n
        centre = (self.value + c / 2.0) / (1.0 + c)
        half = sqrt(max(0.0, c * (self.value * (1.0 - self.value) + c / 4.0))) / (1.0 + c)
        return Interval(max(0.0, centre - half), min(1.0, centre + half), level)


def pool(
    values: Sequence[float] | FloatArray, variances: Sequence[float] | FloatArray, *, complete_df: float | None = None
) -> ImputedEstimate:
    """Pool the estimates of m completed data sets.

    ``values``: the m estimates. ``variances``: their m squared standard errors. ``complete_df``: degrees of freedom the
    analysis would have had with nothing missing; None leaves out the small-sample correction of Barnard and Rubin.
    Raises RequestError where fewer than two estimates, or as many variances are not given.

    Source: Rubin 1987, Multiple Imputation, section 3.1; Barnard & Rubin 1999, Biometrika 86:948.
    """
    m = len(values)
    if m < 2 or len(variances) != m:
        found = f"{m} estimates with {len(variances)} variances cannot be pooled."
        raise RequestError(found, expected="two or more, one variance each", remedy="impute at least twenty times")
    within = float(np.mean(variances))
    between = float(np.var(values, ddof=1)) if np.ptp(values) > 0.0 else 0.0
    added = (1.0 + 1.0 / m) * between
    total = within + added
    share = added / total if total > 0.0 else 0.0
    df = _degrees(share, m, complete_df)
    increase = added / within if within > 0.0 else (inf if added > 0.0 else 0.0)
    correction = 0.0 if isinf(df) else 2.0 / (df + 3.0)
    information = share + (1.0 - share) * correction if added > 0.0 else 0.0
    return ImputedEstimate(
        value=float(np.mean(values)),
        within=within,
        between=between,
        total=total,
        increase=increase,
        df=df,
        missing_information=information,
    )


def _degrees(share: float, m: int, complete_df: float | None) -> float:
    old = (m - 1) / share**2 if share > _NOTHING else inf
    if complete_df is None:
        return old
    observed = (complete_df + 1.0) / (complete_df + 3.0) * complete_df * (1.0 - share)
    if isinf(old):
        return observed
    return old * observed / (old + observed) if observed > 0.0 else 0.0


FEWEST_IMPUTATIONS = 20


#: Draws the missing outcomes once, shape ``(missing,)``.
_Drawer = Callable[[np.random.Generator], "FloatArray"]

FEWEST_ON_THE_WAY = 5
"""Assessed cases of each outcome that must have been seen on the way before what was seen then tells of the missing
(common practice, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ImputedComparison:
    """Two groups compared with the missing outcomes imputed."""

    first: Estimate  # Share of all cases of the first group
    second: Estimate  # The same for the second group
    difference: Estimate  # First minus second
    missing: tuple[int, int]  # Cases whose outcome was imputed, first and second group
    on_the_way: int  # Those of them whose record on the way was used
    # Share of the information on the difference that is missing; None without a value
    missing_information: float | None
    n_imputations: int  # Completed data sets


def impute_and_compare(
    pair: GroupPair,
    *,
    rng: np.random.Generator,
    n_imputations: int = 20,
    level: float = 0.95,
    odds: tuple[float, float] = (1.0, 1.0),
    on_the_way: FloatArray | None = None,
) -> ImputedComparison:
    """Compare two groups after imputing the yes/no outcomes that are missing.

    Estimand: share adverse among *all* cases of each group, assessed or not, and their difference.
    Imputation model: the outcome by group and covariates, logistic (coefficients drawn from their normal posterior).
    Missing cases seen on the way have a model of their own, of the assessed cases seen then, with what was seen among
    its terms: it helps to foretell the outcome and is adjusted for nowhere else. The others are imputed as without it.
    Pooling by Rubin's rules; degrees of freedom of Barnard & Rubin for the difference; a share has the Wilson
    interval of Lott & Reiter; the variance of the difference adds a case to each side (Agresti & Caffo).

    ``pair``: cases prepared with ``keep_missing_outcome``; the covariates are those of the imputation model.
    ``n_imputations``: at least 20. ``odds``: times the odds of a yes among the missing of the first and of the second
    group, against those of the like assessed (delta adjustment: Carpenter & Kenward 2013, Multiple Imputation and its
    Application, ch. 10, from memory). ``on_the_way``: a number seen before the outcome, shape ``(n,)``, NaN where none
    was; auxiliary variables: Collins, Schafer & Kam 2001, Psychol Methods 6:330 (from memory).
    Gives the comparison; None with a sentence where a group is empty or has no observed outcome at all. Raises
    RequestError where fewer than 20 imputations were asked for.
    """
    check_level(level)
    if n_imputations < FEWEST_IMPUTATIONS:
        found = f"{n_imputations} imputations were asked for."
        raise RequestError(found, expected=f"{FEWEST_IMPUTATIONS} or more", remedy="leave the number out")
    seen = _seen(pair, on_the_way)
    missing = ~np.isfinite(pair.outcome)
    report = _Report(pair, n_imputations, level, int((seen & missing).sum()))
    reason = _why_not(pair)
    if reason:
        return report.nothing(reason)
    plain = side_by_side(pair.design.matrix[:, :1], pair.first.astype(np.float64), pair.design.matrix[:, 1:])
    parts = [_drawer(pair, plain, ~missing, missing & ~seen, odds)]
    if report.on_the_way and on_the_way is not None:
        more = side_by_side(plain, on_the_way)
        parts.append(_drawer(pair, more, seen & ~missing, missing & seen, odds))
    late = seen[missing]

    def draw(rng: np.random.Generator) -> FloatArray:
        drawn = np.empty(late.size)
        for of, part in zip((~late, late), parts, strict=False):
            drawn[of] = part(rng)
        return drawn

    return report.of(_completed(pair, draw, rng, n_imputations))


@dataclass(frozen=True, slots=True, eq=False)
class _Completed:
    """Of each completed data set: value and variance of both groups, each shape ``(m,)``; and of the difference."""

    first: FloatArray
    second: FloatArray
    variance_first: FloatArray
    variance_second: FloatArray
    variance_difference: FloatArray


def _why_not(pair: GroupPair) -> Caution | None:
    if pair.emptiness():
        return pair.emptiness()
    if not pair.binary:
        return Caution("no_data", "risks_of_yes_no_only")
    known = np.isfinite(pair.outcome)
    for label, side in zip(pair.labels, (pair.first, ~pair.first), strict=True):
        if not (known & side).any():
            return Caution("no_data", "none_assessed_to_impute_from", {"label": label})
    return None


def _seen(pair: GroupPair, on_the_way: FloatArray | None) -> BoolArray:
    """Which cases were seen on the way; none where too few assessed ones were to learn from."""
    if on_the_way is None:
        return np.zeros(pair.n, dtype=np.bool_)
    seen = np.isfinite(on_the_way)
    enough = min(int((seen & (pair.outcome == value)).sum()) for value in (0.0, 1.0)) >= FEWEST_ON_THE_WAY
    return seen & enough


def _drawer(
    pair: GroupPair, terms: FloatArray, known: BoolArray, missing: BoolArray, odds: tuple[float, float]
) -> _Drawer:
    """Draws the missing outcomes from a model of the known ones; ``terms``: shape ``(n, p)``."""
    useful = independent_columns(terms[known])
    of_missing = terms[missing][:, useful]
    times = np.where(pair.first[missing], *odds)
    fit = fit_or_fall_back(terms[known][:, useful], pair.outcome[known])
    values, vectors = np.linalg.eigh(fit.covariance)
    root = vectors * np.sqrt(np.clip(values, 0.0, None))

    def draw(rng: np.random.Generator) -> FloatArray:
        coefficients = fit.coefficients + root @ rng.standard_normal(root.shape[1])
        like = risks(of_missing, coefficients)
        return (rng.random(like.size) < times * like / (1.0 - like + times * like)).astype(np.float64)

    return draw


def _completed(pair: GroupPair, drawer: _Drawer, rng: np.random.Generator, m: int) -> _Completed:
    known = np.isfinite(pair.outcome)
    sides = (pair.first, ~pair.first)
    observed = [pair.outcome[known & side] for side in sides]
    rows = np.empty((m, 5))
    for i in range(m):
        drawn = drawer(rng) if not known.all() else np.empty(0)
        parts = [np.concatenate([seen, drawn[side[~known]]]) for seen, side in zip(observed, sides, strict=True)]
        rows[i] = _summary(parts[0], parts[1])
    return _Completed(*rows.T)


def _summary(first: FloatArray, second: FloatArray) -> tuple[float, float, float, float, float]:
    """Both shares, their variances and that of the difference, of one completed data set."""
    means = float(first.mean()), float(second.mean())
    plain = [p * (1.0 - p) / x.size for p, x in zip(means, (first, second), strict=True)]
    padded = [(p * x.size + 1.0) / (x.size + 2.0) for p, x in zip(means, (first, second), strict=True)]
    both = sum(q * (1.0 - q) / (x.size + 2.0) for q, x in zip(padded, (first, second), strict=True))
    return *means, plain[0], plain[1], both


@dataclass(frozen=True, slots=True, eq=False)
class _Report:
    """Turns completed data sets into estimates."""

    pair: GroupPair
    m: int
    level: float
    on_the_way: int

    def of(self, sets: _Completed) -> ImputedComparison:
        sizes = self.pair.sizes
        one, two = pool(sets.first, sets.variance_first), pool(sets.second, sets.variance_second)
        gap = pool(sets.first - sets.second, sets.variance_difference, complete_df=max(1, self.pair.n - 2))
        spread = gap.interval(self.level)
        if spread:
            spread = Interval(max(-1.0, spread.low), min(1.0, spread.high), self.level)
        values = (one.value, two.value, gap.value)
        intervals = (one.share_interval(sizes[0], self.level), two.share_interval(sizes[1], self.level), spread)
        return self._compared(
            tuple(map(self._estimate, self._names(), values, intervals)), information=gap.missing_information
        )

    def nothing(self, reason: Caution) -> ImputedComparison:
        return self._compared(
            tuple(self.pair.nothing(estimand=name, method=self._method(), reason=reason) for name in self._names())
        )

    def _compared(self, found: tuple[Estimate, ...], *, information: float | None = None) -> ImputedComparison:
        missing = ~np.isfinite(self.pair.outcome)
        return ImputedComparison(
            first=found[0],
            second=found[1],
            difference=found[2],
            missing=(int((missing & self.pair.first).sum()), int((missing & ~self.pair.first).sum())),
            on_the_way=self.on_the_way,
            missing_information=information,
            n_imputations=self.m,
        )

    def _names(self) -> tuple[str, str, str]:
        (a, b), what = self.pair.labels, self.pair.outcome_name
        return (
            f"share in {a} ({what}), all cases",
            f"share in {b} ({what}), all cases",
            f"difference of shares, {a} minus {b} ({what}), all cases",
        )

    def _method(self) -> str:
        return f"multiple imputation ({self.m} sets, logistic model), Rubin's rules"

    def _estimate(self, estimand: str, value: float, interval: Interval | None) -> Estimate:
        n = int((~np.isfinite(self.pair.outcome)).sum())
        caution = Caution("approximation", "outcomes_imputed", {"n": n, "n_all": self.pair.n})
        bare = self.pair.nothing(estimand=estimand, method=self._method(), reason=caution)
        warnings = (*self.pair.design.warnings, *((caution,) if n else ()))
        return replace(bare, value=value, interval=interval, warnings=warnings)
