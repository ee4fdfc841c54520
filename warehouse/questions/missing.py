"""What the outcomes that are missing could do to a share, and to a difference of two."""

from dataclasses import dataclass
from math import log

import numpy as np
import polars as pl

from warehouse.analysis.difference import risk_difference
from warehouse.analysis.group_pair import GroupPair, pair_groups
from warehouse.analysis.missing import FEWEST_IMPUTATIONS, ImputedComparison, impute_and_compare
from warehouse.analysis.spline import FloatArray
from warehouse.analysis.tipping import TippingPoint, tipping_point
from warehouse.analysis.tipping_grid import TippingGrid, tipping_grid
from warehouse.marts.reader import Reader
from warehouse.outcomes.definition import Definition
from warehouse.plans.question import Question, Stamped, stamp_of
from warehouse.questions.case_table import change_table, measures_read
from warehouse.questions.contrast import (
    CASE,
    GROUP,
    OUTCOME,
    TwoGroupFrame,
    model_covariates,
    one_thread,
    settle,
    two_group_frame,
)
from warehouse.questions.shares import GroupRow, Rates, rates
from warehouse.results import Estimate
from warehouse.selection import WHOEVER, Selection

BENCHMARK = 0.10  # the share that a message is about unless another is named: one case in ten
SEED = 20_250_203  # where the draws of the imputation start, so that the same data give the same answer


FACTORS = tuple(2.0**power for power in (-3, -2, -1, 0, 1, 2, 3))
"""Times the odds of an adverse outcome among the missing of one group, those of the other left as the assessed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class GroupMissing:
    """One group's share and what its missing cases could do to it; ``rate`` holds the bounds."""

    rate: GroupRow
    tipping: TippingPoint


@dataclass(frozen=True, slots=True, kw_only=True)
class SharesAndMissing:
    """Shares with bounds and tipping points."""

    rates: Rates  # The shares, overall or by group
    value: float  # The share the message is about
    groups: tuple[GroupMissing, ...]  # One a group, in order


def shares_and_missing(reader: Reader, question: Question, *, value: float = BENCHMARK) -> SharesAndMissing:
    """Bounds on every share, and how many of the missing would have to be adverse to change what is said of it.

    Missing are cases started whose outcome is due but not known, and those the checks turned away; a case still in
    treatment is not among them.
    """
    level = question.level
    found = rates(
        reader, by=question.by or None, definition=question.definition, selection=question.selection, level=level
    )
    groups = tuple(
        GroupMissing(
            rate=group,
            tipping=tipping_point(group.adverse.n, group.counted.n, group.unknown or 0, value=value, level=level),
        )
        for group in found.groups
    )
    return SharesAndMissing(rates=found, value=value, groups=groups)


@dataclass(frozen=True, slots=True)
class Shifted:
    """The difference had the odds among the missing of one group been other than those of the like assessed."""

    times: float  # Times those odds; the missing of the other group are like its assessed
    difference: Estimate


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PairAndMissing(Stamped):
    """Two groups and what the missing outcomes could do to their difference."""

    labels: tuple[str, str]  # Names of the two groups
    assessed: tuple[int, int]  # Cases with an outcome in each group
    adverse: tuple[int, int]  # Adverse ones among them
    missing: tuple[int, int]  # Cases whose outcome is due but not known
    observed: Estimate  # Difference among the assessed
    lowest: Estimate  # Difference had none of the first group's and all of the second group's missing been adverse
    highest: Estimate  # Difference had it been the other way about
    imputed: ImputedComparison  # Multiple imputation, pooled by Rubin's rules
    imputed_from: tuple[str, ...]  # What the imputation model knows of a case, in words
    shifted: tuple[tuple[Shifted, ...], tuple[Shifted, ...]]  # One tuple a group; empty for one that lacks none
    without_covariates: int  # Cases the imputation leaves out because something in its model is not recorded
    grid: TippingGrid  # Every combination of what the missing may hold

    def tips_at(self, group: int) -> float | None:
        """Times the odds, nearest to 1, from which on the interval lies on another side of no difference than at 1."""
        sides = {one.times: _side(one.difference) for one in self.shifted[group]}
        changed = [times for times, side in sides.items() if side != sides[1.0]]
        return min(changed, key=lambda times: abs(log(times)), default=None)


def pair_and_missing(
    reader: Reader, question: Question, *, n_imputations: int = FEWEST_IMPUTATIONS, seed: int = SEED
) -> PairAndMissing:
    """Two groups with bounds on their difference, multiple imputation, and a grid of what the missing may hold.

    The imputation model knows of a case its group, what the question adjusts for and, where there is one, how far it
    had changed by its progress record. ``n_imputations`` is the number of completed data sets, at least 20; ``seed``
    says where the random draws start. Raises RequestError: a name does not exist, or fewer than 20 imputations were
    asked for.
    """
    stamp = stamp_of(reader, question)
    settled, level = settle(question, stamp), stamp.level
    cases = two_group_frame(reader, settled, stamp.definition)
    adverse, assessed, missing = _counts(cases)
    with one_thread():
        due, on_the_way = _due_pair(reader, cases, settled.adjust or (), stamp.definition)

        def imputed(*odds: float) -> ImputedComparison:
            rng = np.random.default_rng(seed)
            asked = {"n_imputations": n_imputations, "level": level, "odds": (odds[0], odds[1])}
            return impute_and_compare(due, rng=rng, on_the_way=on_the_way, **asked)  # type: ignore[arg-type]

        like = imputed(1.0, 1.0)

        def shifted(group: int) -> tuple[Shifted, ...]:
            if not (like.difference.interval and like.missing[group]):
                return ()
            odds = {k: (k, 1.0) if group == 0 else (1.0, k) for k in FACTORS}
            return tuple(Shifted(k, (like if k == 1.0 else imputed(*both)).difference) for k, both in odds.items())

        both_shifted = shifted(0), shifted(1)
    everyone = assessed[0] + missing[0], assessed[1] + missing[1]
    return PairAndMissing(
        stamp=stamp,
        labels=cases.labels,
        assessed=assessed,
        adverse=adverse,
        missing=missing,
        observed=risk_difference(adverse[0], assessed[0], adverse[1], assessed[1], level=level),
        lowest=risk_difference(adverse[0], everyone[0], adverse[1] + missing[1], everyone[1], level=level),
        highest=risk_difference(adverse[0] + missing[0], everyone[0], adverse[1], everyone[1], level=level),
        imputed=like,
        shifted=both_shifted,
        imputed_from=("group", *cases.titles),
        without_covariates=sum(assessed) + sum(missing) - due.n,
        grid=tipping_grid((adverse[0], assessed[0], missing[0]), (adverse[1], assessed[1], missing[1]), level=level),
    )


def _counts(cases: TwoGroupFrame) -> tuple[tuple[int, int], tuple[int, int], tuple[int, int]]:
    known = pl.col(OUTCOME).is_not_null()
    return cases.sizes(known & pl.col(OUTCOME)), cases.sizes(known), cases.sizes(~known & pl.col("is_due"))


def _due_pair(
    reader: Reader, cases: TwoGroupFrame, adjust: tuple[str, ...], definition: Definition
) -> tuple[GroupPair, FloatArray | None]:
    """The cases whose outcome is due or known, and how far each had changed by its progress record (NaN without).

    The change is of the first measure of a definition made of one change over the treatment; None for any other.
    """
    due = cases.frame.filter(pl.col("is_due") | pl.col(OUTCOME).is_not_null())
    part = definition.single_change
    seen = next((one for one in part.measures if one in measures_read(reader)), "") if part else ""
    if part and seen and part.span == "start_to_finish":
        anyone = [Selection(comparison=who, selection="both", filters=WHOEVER) for who in ("treated", "untreated")]
        asked = {"measure": seen, "span": "start_to_progress", "columns": ()}
        early = pl.concat([change_table(reader, selection=one, **asked) for one in anyone])  # type: ignore[arg-type]
        due = due.join(early.select(CASE, on_the_way="change"), on=CASE, how="left", maintain_order="left")
    pair = pair_groups(
        due,
        outcome=OUTCOME,
        group=GROUP,
        first=cases.labels[0],
        second=cases.labels[1],
        covariates=model_covariates(adjust),
        keep_missing_outcome=True,
    )
    if "on_the_way" not in due.columns:
        return pair, None
    return pair, due["on_the_way"].cast(pl.Float64).fill_null(float("nan")).to_numpy()[pair.design.kept]


def _side(found: Estimate) -> int:
    """1 with an interval above no difference, -1 below, 0 across it."""
    interval = found.interval
    return 0 if interval is None else int(interval.low > 0.0) - int(interval.high < 0.0)
