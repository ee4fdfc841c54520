"""Two groups of a comparison adjusted for what was recorded, as a report may show it: beside the crude shares.

What may leave: the counts of complete cases go through the disclosure engine with all other counts. Where it hides one,
the crude and the stratified difference on these cases are left out, since both are sums of counts; the crude difference
of all cases counted stands in, where those are shown. Estimates of models are shown where the model has at least
``CASES_A_COLUMN`` cases for each of its columns, so that none stands for a few cases: the rule of output checking for
regression results (common practice, no source). What names counts of cases left out, and the balance of each variable,
stays with the practice: a share of a small group is a count.
"""

from dataclasses import dataclass, replace
from typing import TypeAlias

from warehouse.analysis.balance import BalanceRow
from warehouse.analysis.evalue import EValue
from warehouse.analysis.ratio import risk_ratio
from warehouse.disclosure import Count, Policy
from warehouse.plans.planned_or_explored import Standing
from warehouse.questions.contrast import PairComparison
from warehouse.questions.methods import MethodResult
from warehouse.results import Estimate
from warehouse.words import contrasts as wording
from warehouse.words.contrasts import pair_sentence, reading_sentence
from warehouse.words.sentences import caution_text

Counts: TypeAlias = tuple[Count, Count]  # cases, and adverse ones among them

CASES_A_COLUMN = 10
FROM_MODELS = ("standardised", "overlap", "inverse")
"""Methods whose numbers are no sums of counts."""

HIDDEN = "It rests on a count that is not shown."
CRUDE_HIDDEN = "The crude difference is not shown: it rests on a count that is not shown."
FEW = "There are too few complete cases for the number of things adjusted for."


@dataclass(frozen=True, slots=True, kw_only=True)
class AdjustedShown:
    """The comparison as it may be shown."""

    labels: tuple[str, str]  # The first and the second group
    counted: tuple[Count, Count]  # Complete cases of each, and of them `adverse`
    adverse: tuple[Count, Count]
    # Crude and adjusted, all on these cases; `main` is the key of the one decided on beforehand
    methods: tuple[MethodResult, ...]
    main: str
    # Whether the crude difference is that of the complete cases too; otherwise it is of all counted
    on_same_cases: bool
    adjusted_for: tuple[str, ...]  # What is held alike, in words
    odds_ratio: Estimate  # By the logistic model
    e_value: EValue  # How strong something unmeasured would have to be
    balance: tuple[BalanceRow, ...]  # How alike the groups were, variable by variable; none where that may not be shown
    furthest: tuple[float | None, float | None]  # Largest standardised difference as they came, and after weighting
    said: tuple[str, ...]  # The findings in sentences
    standing: Standing  # Planned beforehand or explored after
    remarks: tuple[str, ...]  # What to keep in mind
    level: float  # Level of the intervals


def held_alike(
    pair: PairComparison, *, complete: tuple[Counts, Counts], counted: tuple[Counts, Counts], policy: Policy
) -> AdjustedShown | str:
    """What may be shown, or why nothing may.

    ``complete`` holds the complete cases of each group, and of them adverse, as they may be shown; ``counted`` the same
    of all cases counted, as the comparison by group shows them.
    """
    is_withheld = pair.answer.difference.value is None and pair.answer.warnings[0].kind == "withheld"
    if is_withheld and policy.hides_nothing:
        return pair_sentence(pair)
    if not policy.hides_nothing:
        if pair.n < CASES_A_COLUMN * (len(pair.balance_overlap.rows) + 2):  # the groups and the constant as well
            return FEW
        if is_withheld:  # told before methods without a value go, the primary one among them
            return caution_text(pair.answer.warnings[0])
        if any(cell.value is None for cells in complete for cell in cells):
            pair = _models_alone(pair, counted)
        pair = replace(pair, methods=tuple(one for one in pair.methods if one.difference.value is not None))
        if len(pair.methods) < 2 or pair.primary not in {one.method for one in pair.methods}:
            return HIDDEN
    strength = wording.e_value_sentence(pair) if pair.e_value.estimate is not None else ""
    remarks = [strength, wording.not_measured_sentence(pair)]
    if policy.hides_nothing:
        warnings = (*pair.answer.warnings, *pair.overlap.warnings, *pair.cautions)
        remarks += [caution_text(one) for one in warnings]
    (n1, x1), (n2, x2) = complete
    return AdjustedShown(
        labels=pair.labels,
        counted=(n1, n2),
        adverse=(x1, x2),
        methods=pair.methods,
        main=pair.primary,
        on_same_cases=all(cell.value is not None for cell in (n1, x1, n2, x2)),
        adjusted_for=pair.adjusted_for,
        odds_ratio=pair.odds_ratio,
        e_value=pair.e_value,
        balance=pair.balance_overlap.rows if policy.hides_nothing else (),
        furthest=(pair.balance_overlap.largest_before, pair.balance_overlap.largest_after),
        said=tuple(one for one in _said(pair, policy) if one),
        standing=pair.standing,
        remarks=tuple(dict.fromkeys(one for one in remarks if one)),
        level=pair.level,
    )


def _said(pair: PairComparison, policy: Policy) -> tuple[str, ...]:
    """The findings in sentences; those that tell counts of single strata and cases left out are the practice's own."""
    reading = reading_sentence(pair.answer.difference.interval)
    first = (pair_sentence(pair, with_counts=policy.hides_nothing), reading)
    if policy.hides_nothing:
        return (
            *first,
            wording.crude_sentence(pair),
            wording.within_units_sentence(pair),
            wording.weighed_sentence(pair),
            wording.methods_sentence(pair),
            wording.odds_ratio_sentence(pair),
            wording.homogeneity_sentence(pair),
            wording.cases_sentence(pair),
        )
    has_crude = any(one.method == "crude" for one in pair.methods)
    return (
        *first,
        wording.methods_sentence(pair) if has_crude else CRUDE_HIDDEN,
        wording.odds_ratio_sentence(pair) if pair.odds_ratio.value is not None else "",
    )


def _models_alone(pair: PairComparison, counted: tuple[Counts, Counts]) -> PairComparison:
    """The comparison without what the counts of complete cases could be worked out from.

    The crude difference is that of all cases counted; it is left out where their counts are hidden too.
    """
    (n1, x1), (n2, x2) = ((n.value, n_adverse.value) for n, n_adverse in counted)
    crude: tuple[MethodResult, ...] = ()
    if n1 is not None and x1 is not None and n2 is not None and x2 is not None:
        ratio = risk_ratio(x1, n1, x2, n2, level=pair.level)
        found = replace(pair.method("crude"), first=None, second=None, p_value=None, warnings=())
        crude = (replace(found, difference=pair.crude_of_all, ratio=ratio, population="among all cases counted"),)
    return replace(pair, methods=(*crude, *(one for one in pair.methods if one.method in FROM_MODELS)))
