"""Everything a group gets to see, made from the contributions at hand."""

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from types import MappingProxyType

import polars as pl

from warehouse.analysis.design import Covariate, build_design
from warehouse.analysis.inputs import z_value
from warehouse.analysis.logistic import fit_or_fall_back
from warehouse.analysis.meta import pool
from warehouse.analysis.meta_effects import ratio_effects
from warehouse.analysis.proportion import wilson_interval
from warehouse.disclosure import ProtectedTable
from warehouse.disclosure.hierarchy import ANY
from warehouse.plural import number_of
from warehouse.pooled.agreement import Agreement
from warehouse.pooled.cases import result_column
from warehouse.pooled.member import Groups, Member, known_range
from warehouse.pooled.publishing import Publisher, is_whole, left_out_notes, publish_totals, published_practices
from warehouse.pooled.ranges import NONE, Range, exactly, filled, tightened, total
from warehouse.pooled.result import Figure, GroupPool, GroupResult, PooledGroup, SharePool, figure
from warehouse.pooled.shares import pooled_means, share_pool
from warehouse.pooled.tables import ALL, COUNTED, breakdown_layout, breakdown_table, coarser, members_at, totals_known
from warehouse.pooled.variables import ADVERSE, NOT_ADVERSE
from warehouse.results import Caution

PRACTICE = "practice"
_OUTCOME = "is_adverse"
_RATIO_DIGITS = 2
_LEVEL = 0.95


@dataclass(frozen=True, slots=True)
class _Parts:
    """What the practices gave, brought to one level."""

    level: int  # The finest level all of them have
    whole: tuple[tuple[Member, Groups], ...]  # Practices whose counts are all known, with their counts
    others: tuple[tuple[Member, Groups], ...]  # Practices with hidden counts

    @property
    def everyone(self) -> tuple[tuple[Member, Groups], ...]:
        return (*self.whole, *self.others)


def pooled_groups(
    members: Sequence[Member], agreement: Agreement, outcome: str, by: str, *, publisher: Publisher
) -> GroupPool:
    """Pool the shares by one of the agreed groupings; what is let out is added to ``publisher``."""
    parts, left_out = _parts(members, agreement, outcome, by)
    notes = left_out_notes(left_out)
    n = len(parts.everyone) if parts else 0
    empty = GroupPool(outcome=outcome, by=by, practices=n, notes=notes)
    if parts is None or n < agreement.fewest_practices:
        reason = f"A pooled table needs at least {agreement.fewest_practices} practices; {n} can be used."
        return replace(empty, refused=reason)
    table = _published(parts, agreement, outcome, by, publisher)
    if isinstance(table, str):
        return replace(empty, refused=table)
    rows = _rows(parts, table)
    reference = max(rows, key=lambda row: row.share.n).label
    n_shown = {row.label: row.share.n for row in rows}  # single practices' counts are behind a ratio: its n tells none
    adjusted = adjusted_ratios(members, agreement, outcome, by, at=parts.level, reference=reference)
    return replace(
        empty,
        reference=reference,
        rows=tuple(
            row
            if row.label == reference
            else replace(
                row,
                ratio=replace(
                    _ratio(row.label, reference, parts, agreement),
                    n=sum(n_shown[one] for one in (row.label, reference)),
                ),
                adjusted=adjusted.ratios.get(row.label),
            )
            for row in rows
        ),
        adjusted_for=adjusted.adjusted_for,
        adjusted_practices=adjusted.practices,
        notes=(*notes, *(table.notes if table else ()), *_others_note(parts), *adjusted.notes),
    )


def _parts(
    members: Sequence[Member], agreement: Agreement, outcome: str, by: str
) -> tuple[_Parts | None, Counter[str]]:
    left_out: Counter[str] = Counter()
    given: list[tuple[Member, Groups]] = []
    for member in members:
        found = member.groups(agreement, outcome, by)
        if isinstance(found, str):
            left_out[found] += 1
        else:
            given.append((member, found))
    if not given:
        return None, left_out
    level = max(groups.level for _, groups in given)
    brought = [(member, groups.at(agreement, by, level)) for member, groups in given]
    whole = [(member, groups) for member, groups in brought if groups.is_exact and is_whole(member.results(outcome))]
    others = [one for one in brought if one not in whole]
    return _Parts(level, tuple(whole), tuple(others)), left_out


def _published(
    parts: _Parts, agreement: Agreement, outcome: str, by: str, publisher: Publisher
) -> ProtectedTable | str | None:
    """The table over practices whose counts are all known; None without any; a reason where it may not be made."""
    if not parts.whole:
        return None
    members = [member for member, _ in parts.whole]
    totals = publish_totals(members, outcome, publisher)
    if totals is None or not totals_known(totals):
        return "A total is hidden, so no breakdown of it can be given."
    scope = [label for member in members for label in publisher.scope(member, outcome)]
    named = members_at(agreement.hierarchy(by), parts.level)
    given = [groups for _, groups in parts.whole]
    counts = {
        base[0]: (sum(one.adverse[label].low for one in given), sum(one.counted[label].low for one in given))
        for label, base in named.items()
    }
    layout = breakdown_layout(outcome, by, named, scope=scope)
    table = publisher.publish(breakdown_table(outcome, by, counts, layout), outcome, by)
    return f"This table is not shown. {table.refused}" if table.refused else table


def _rows(parts: _Parts, table: ProtectedTable | None) -> list[PooledGroup]:
    labels = list(parts.everyone[0][1].adverse)
    adverse = _ranges(table, labels, ADVERSE)
    counted = _ranges(table, labels, COUNTED)
    found = []
    for label in labels:
        each_adverse = [adverse[label], *(groups.adverse[label] for _, groups in parts.others)]
        each_counted = [counted[label], *(groups.counted[label] for _, groups in parts.others)]
        shown = [
            _shown(table, label, column, parts, total(ranges))
            for column, ranges in ((COUNTED, each_counted), (ADVERSE, each_adverse))
        ]
        known = filled(
            [a.within(Range(0, n.high)) for a, n in zip(each_adverse, each_counted, strict=True)], each_counted
        )
        share = _share(label, sum(known.adverse), sum(known.counted), _design_effect(parts, label))
        found.append(PooledGroup(label=label, counted=shown[0], adverse=shown[1], share=share))
    return [row for row in found if row.counted != "0"] or found


def _ranges(table: ProtectedTable | None, labels: Sequence[str], column: str) -> dict[str, Range]:
    """The counts of a column as a reader knows them."""
    if table is None:
        return dict.fromkeys(labels, NONE)
    found = {label: _read(table, (label, column)) for label in labels}
    whole = _read(table, (ALL, column)) if len(labels) > 1 else None
    return tightened(found, whole) if whole is not None and table.release.policy.round_to is None else found


def _read(table: ProtectedTable, key: tuple[str, ...]) -> Range:
    value = table.cell(*key).value
    return known_range(table.release, key) if value is None else exactly(value)


def _shown(table: ProtectedTable | None, label: str, column: str, parts: _Parts, count: Range) -> str:
    return table.cell(label, column).shown if table is not None and not parts.others else count.words


def _no_figure(name: str, reason: str) -> Figure:
    return Figure(name=name, value=None, low=None, high=None, level=_LEVEL, method="none", n=0, notes=(reason,))


def _share(name: str, adverse: float, counted: int, effect: float) -> Figure:
    if counted == 0:
        return _no_figure(name, "No case was counted.")
    share = min(1.0, adverse / counted)
    interval = wilson_interval(share, counted / effect)
    method = f"Wilson interval, cases divided by a design effect of {effect:.1f} for practices differing"
    return Figure(name=name, value=share, low=interval.low, high=interval.high, level=_LEVEL, method=method, n=counted)


def _design_effect(parts: _Parts, label: str) -> float:
    """How much more a share varies because practices differ, >= 1, rounded up to one decimal.

    ``k / (k - 1) * sum (x_i - p n_i)**2 / (p (1 - p) sum n_i)``, the ratio estimator of a cluster sample over the
    binomial variance (Rao & Scott 1992, Biometrics 48:577; formula from memory).
    """
    known = filled([one.adverse[label] for _, one in parts.everyone], [one.counted[label] for _, one in parts.everyone])
    pairs = [(x, n) for x, n in zip(known.adverse, known.counted, strict=True) if n > 0]
    if len(pairs) < 2 or known.share is None or not 0 < known.share < 1:
        return 1.0
    spread = sum((x - known.share * n) ** 2 for x, n in pairs) * len(pairs) / (len(pairs) - 1)
    binomial = known.share * (1 - known.share) * sum(n for _, n in pairs)
    return max(1.0, math.ceil(10 * spread / binomial) / 10)


def _ratio(label: str, reference: str, parts: _Parts, agreement: Agreement) -> Figure:
    """The risk ratio within practices, pooled by random effects."""
    everyone = [groups for _, groups in parts.everyone]
    first = filled([one.adverse[label] for one in everyone], [one.counted[label] for one in everyone])
    second = filled([one.adverse[reference] for one in everyone], [one.counted[reference] for one in everyone])
    effects = ratio_effects(first.adverse, first.counted, second.adverse, second.counted)
    name = f"risk ratio, {label} over {reference}"
    if len(effects.practices) < agreement.fewest_practices or sum(first.counted) < agreement.minimum:
        reason = (
            f"{number_of(len(effects.practices), 'practice has', 'practices have')} cases in both groups with an"
            f" outcome to compare; at least {agreement.fewest_practices} are needed."
        )
        return _no_figure(name, reason)
    return figure(name, pool(effects).natural(), digits=_RATIO_DIGITS)


def _others_note(parts: _Parts) -> tuple[str, ...]:
    if not parts.others:
        return ()
    n = len(parts.others)
    gave = number_of(
        n,
        "practice gave counts of which some are hidden; it enters",
        "practices gave counts of which some are hidden; they enter",
    )
    return (f"{gave} within the limits known of them.",)


@dataclass(frozen=True, slots=True)
class Adjusted:
    """Adjusted odds ratios to the reference group."""

    ratios: Mapping[str, Figure] = field(default_factory=lambda: MappingProxyType({}))  # Group -> odds ratio
    adjusted_for: tuple[str, ...] = ()  # Variables of the model, practice among them
    practices: int = 0  # Practices behind it
    notes: tuple[Caution | str, ...] = ()  # What to keep in mind, or why there is nothing


def adjusted_ratios(
    members: Sequence[Member], agreement: Agreement, outcome: str, by: str, *, at: int, reference: str
) -> Adjusted:
    """Odds ratios of the groups of a variable to a reference group, within practices and the other variables alike.

    Logistic regression with an indicator for every practice and every group of the other variables, each at the finest
    level all practices have; a variable that some practice had to drop is not adjusted for. Firth's penalty where the
    outcomes are separated. Rounded to two decimals, because single cases stand behind it. Practices without single
    cases, or that dropped the variable, take no part. ``by`` is compared at the level ``at``.
    """
    taking_part = [one for one in members if one.cases is not None and _is_kept(agreement, by, one.levels[by])]
    if len(taking_part) < agreement.fewest_practices:
        note = (
            f"No adjusted comparison: {number_of(len(taking_part), 'practice')} gave single cases with this variable."
        )
        return Adjusted(practices=len(taking_part), notes=(note,))
    levels = {one.name: max(member.levels[one.name] for member in taking_part) for one in agreement.variables}
    levels[by] = max(levels[by], at)
    others = [name for name, level_ in levels.items() if name != by and _is_kept(agreement, name, level_)]
    frame = _frame(taking_part, agreement, outcome, {name: levels[name] for name in (by, *others)})
    return _fitted(frame, by, others, reference, agreement.minimum, len(taking_part))


def _is_kept(agreement: Agreement, name: str, level: int) -> bool:
    return set(agreement.hierarchy(name).levels[level].values()) != {ANY}


def _frame(members: Sequence[Member], agreement: Agreement, outcome: str, levels: Mapping[str, int]) -> pl.DataFrame:
    column = result_column(outcome)
    parts = []
    for number, member in enumerate(members):
        if member.cases is None:  # pragma: no cover - members without cases were left out before
            continue
        brought = [
            pl.col(name).replace_strict(coarser(agreement.hierarchy(name), member.levels[name], level))
            for name, level in levels.items()
        ]
        parts.append(
            member.cases.filter(pl.col(column).is_in([ADVERSE, NOT_ADVERSE])).select(
                *brought, (pl.col(column) == ADVERSE).alias(_OUTCOME), pl.lit(f"p{number:04}").alias(PRACTICE)
            )
        )
    return pl.concat(parts)


def _fitted(
    frame: pl.DataFrame,
    by: str,
    others: Sequence[str],
    reference: str,
    minimum: int,
    practices: int,
) -> Adjusted:
    enough = _groups_with_enough(frame, by, minimum)
    if reference not in enough or len(enough) < 2:
        note = "No adjusted comparison: too few adverse cases, or too few others, in the groups."
        return Adjusted(practices=practices, notes=(note,))
    kept = frame.filter(pl.col(by).is_in(enough))
    others = [name for name in others if kept[name].n_unique() > 1]
    covariates = [Covariate(name=by, kind="category", reference=reference)]
    covariates += [Covariate(name=name, kind="category") for name in (*others, PRACTICE)]
    design = build_design(kept, covariates)
    fit = fit_or_fall_back(design.matrix, kept[_OUTCOME].cast(pl.Float64).to_numpy())
    ratios = {}
    for group in enough:
        name = f"{by}={group}"
        if group != reference and name in design.names:
            j = design.names.index(name)
            error = math.sqrt(float(fit.covariance[j, j]))
            log_odds, half = float(fit.coefficients[j]), z_value(_LEVEL) * error
            ratios[group] = Figure(
                name=f"adjusted odds ratio, {group} over {reference}",
                value=round(math.exp(log_odds), _RATIO_DIGITS),
                low=round(math.exp(log_odds - half), _RATIO_DIGITS),
                high=round(math.exp(log_odds + half), _RATIO_DIGITS),
                level=_LEVEL,
                method=f"{fit.method}, Wald interval",
                n=round(kept.height, -1),  # of cases that no table counts
            )
    return Adjusted(
        ratios=MappingProxyType(ratios),
        adjusted_for=(*others, PRACTICE),
        practices=practices,
        notes=design.warnings,
    )


def _groups_with_enough(frame: pl.DataFrame, by: str, minimum: int) -> list[str]:
    """Groups with at least ``minimum`` adverse and ``minimum`` other cases: fewer would say something of few."""
    counts = frame.group_by(by).agg(pl.col(_OUTCOME).sum().alias("adverse"), (~pl.col(_OUTCOME)).sum().alias("others"))
    return sorted(counts.filter((pl.col("adverse") >= minimum) & (pl.col("others") >= minimum))[by].to_list())


NOTES = (
    "Practices are ordered by size and are not named. Nothing here is a ranking: practices differ in the children they"
    " treat, in how they measure, and by chance.",
    "An audit of past cases: not a diagnosis, not treatment advice; an association is not a cause.",
)


def pooled_result(
    members: Sequence[Member], agreement: Agreement, *, publisher: Publisher, salt: str, number: int, made_on: str
) -> GroupResult:
    """All agreed analyses, made on a date (ISO 8601); ``salt`` makes the practices' tags.

    What is let out is added to what ``publisher`` has let out before.
    """
    shares = tuple(_shares(members, agreement, outcome, publisher, salt) for outcome in agreement.outcomes)
    shown = [one for one in shares if not one.refused]
    means = (
        pooled_means(
            {member.pseudonym: member.means.get(one.outcome) for member in members},
            agreement.definition(one.outcome),
            one,
            fewest=agreement.fewest_practices,
            salt=salt,
        )
        for one in shown
    )
    return GroupResult(
        group=agreement.group,
        name=agreement.name,
        agreement=agreement.digest,
        version=agreement.version,
        number=number,
        made_on=made_on,
        salt=salt,
        growth=agreement.growth_name,
        shares=shares,
        breakdowns=tuple(
            pooled_groups(members, agreement, one.outcome, by, publisher=publisher)
            for one in shown
            for by in agreement.groupings
        ),
        means=tuple(one for one in means if one is not None),
        notes=NOTES,
    )


def _shares(
    members: Sequence[Member], agreement: Agreement, outcome: str, publisher: Publisher, salt: str
) -> SharePool:
    practices, totals, left_out = published_practices(members, agreement, outcome, publisher)
    return share_pool(
        practices,
        agreement.definition(outcome),
        totals=tuple((name, cell.shown) for (name,), cell in totals.cells.items()) if totals else (),
        notes=left_out_notes(left_out),
        fewest=agreement.fewest_practices,
        salt=salt,
    )
