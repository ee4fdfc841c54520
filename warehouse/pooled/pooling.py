"""Everything a group gets to see, made from the contributions at hand."""

import math
import re
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from types import MappingProxyType

import polars as pl

from warehouse.analysis.meta import METHOD, pool
from warehouse.analysis.meta_effects import ratio_effects
from warehouse.analysis.proportion import wilson_interval
from warehouse.analysis.stratified import Stratum, mantel_haenszel
from warehouse.analysis.trend import cochran_armitage
from warehouse.disclosure import ProtectedTable
from warehouse.disclosure.hierarchy import ANY
from warehouse.plural import number_of
from warehouse.pooled.agreement import Agreement
from warehouse.pooled.cases import result_column
from warehouse.pooled.member import Groups, Member, known_range
from warehouse.pooled.publishing import Publisher, is_whole, left_out_notes, publish_totals, published_practices
from warehouse.pooled.ranges import NONE, Range, exactly, filled, ratio_within, tightened, total
from warehouse.pooled.result import Figure, GroupPool, GroupResult, MeanPool, PooledGroup, SharePool, figure
from warehouse.pooled.shares import pooled_means, share_pool, tag_of
from warehouse.pooled.tables import ALL, COUNTED, breakdown_layout, breakdown_table, coarser, members_at, totals_known
from warehouse.pooled.variables import ADVERSE, NOT_ADVERSE
from warehouse.results import Caution, Interval

PRACTICE = "practice"
_RATIO_DIGITS = 2
_LEVEL = 0.95
_TREND = "change of the share a year"
_ARITHMETIC = 1e-6  # more than floating point is off by, in units of the last digit
HIDDEN_ALLOW = Caution("approximation", "hidden_counts_allow")


@dataclass(frozen=True, slots=True)
class GroupParts:
    """What the practices gave, brought to one level."""

    level: int  # The finest level all of them have
    whole: tuple[tuple[Member, Groups], ...]  # Practices whose counts are all known, with their counts
    others: tuple[tuple[Member, Groups], ...]  # Practices with hidden counts

    @property
    def everyone(self) -> tuple[tuple[Member, Groups], ...]:
        """All practices."""
        return (*self.whole, *self.others)


@dataclass(frozen=True, slots=True)
class Adjusted:
    """Adjusted odds ratios to the reference group."""

    ratios: Mapping[str, Figure] = field(default_factory=lambda: MappingProxyType({}))  # Group -> odds ratio
    adjusted_for: tuple[str, ...] = ()  # What the strata are made of
    practices: int = 0  # Practices behind it
    notes: tuple[Caution | str, ...] = ()  # What to keep in mind, or why there is nothing


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
    return group_pool(
        empty,
        parts,
        agreement,
        publisher,
        lambda reference: adjusted_ratios(members, agreement, outcome, by, at=parts.level, reference=reference),
    )


def group_pool(
    empty: GroupPool,
    parts: GroupParts,
    agreement: Agreement,
    publisher: Publisher,
    adjust: Callable[[str], Adjusted],
    *,
    within: bool = True,
) -> GroupPool:
    """Shares by group with the comparisons to the largest one; ``within`` practices too, where they are known."""
    outcome, by = empty.outcome, empty.by
    table = cells_published(parts, agreement, outcome, by, publisher)
    if isinstance(table, str):
        return replace(empty, refused=table)
    rows = group_rows(parts, table)
    largest = max(rows, key=lambda row: row.share.n)
    reference, adjusted = largest.label, adjust(largest.label)
    for place, row in enumerate(rows):
        if row is not largest:
            ratio = _ratio(row.label, reference, parts, table, agreement.fewest_practices) if within else None
            # single practices' counts are behind a ratio: its n is of those shown, and tells none
            ratio = ratio and replace(ratio, n=row.share.n + largest.share.n)
            rows[place] = replace(row, ratio=ratio, adjusted=adjusted.ratios.get(row.label))
    return replace(
        empty,
        reference=reference,
        rows=tuple(rows),
        adjusted_for=adjusted.adjusted_for,
        adjusted_practices=adjusted.practices,
        trend=trend_of(rows) if by == "start_year" else None,
        notes=(*empty.notes, *(table.notes if table else ()), *hidden_notes(parts, rows), *adjusted.notes),
    )


def _parts(
    members: Sequence[Member], agreement: Agreement, outcome: str, by: str
) -> tuple[GroupParts | None, Counter[str]]:
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
    return GroupParts(level, tuple(whole), tuple(others)), left_out


def cells_published(
    parts: GroupParts, agreement: Agreement, outcome: str, by: str, publisher: Publisher
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


def group_rows(parts: GroupParts, table: ProtectedTable | None) -> list[PooledGroup]:
    """The groups with their counts as published and the shares these give."""
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
        effect = _design_effect(parts, label)
        x, n = total(each_adverse), total(each_counted)
        share = pooled_share(label, x.low, n.low, effect)
        if not (x.is_exact and n.is_exact) and n.low:
            least, most = x.low / n.high, min(1.0, x.high / n.low)
            low, high = (wilson_interval(one, n.low / effect) for one in (least, most))
            note = replace(HIDDEN_ALLOW, numbers={"least": least, "most": most})
            share = replace(share, value=None, low=low.low, high=high.high, notes=(note,))
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


def _shown(table: ProtectedTable | None, label: str, column: str, parts: GroupParts, count: Range) -> str:
    return table.cell(label, column).shown if table is not None and not parts.others else count.words


def _outwards(limits: Interval) -> tuple[float, float]:
    """Limits of a ratio to two digits, and at most two decimals: four tell about what a ratio's three do."""
    low, high = (10 ** min(_RATIO_DIGITS, 1 - math.floor(math.log10(end))) for end in (limits.low, limits.high))
    return math.floor(limits.low * low - _ARITHMETIC) / low, math.ceil(limits.high * high + _ARITHMETIC) / high


def _no_figure(name: str, reason: Caution | str) -> Figure:
    return Figure(name=name, value=None, low=None, high=None, level=_LEVEL, method="none", n=0, notes=(reason,))


def pooled_share(name: str, adverse: int, counted: int, effect: float) -> Figure:
    """A share over practices; ``effect``: how much more it varies because they differ."""
    if counted == 0:
        return _no_figure(name, "No case was counted.")
    share = min(1.0, adverse / counted)
    interval = wilson_interval(share, counted / effect)
    method = f"Wilson interval, cases divided by a design effect of {effect:.1f} for practices differing"
    return Figure(name=name, value=share, low=interval.low, high=interval.high, level=_LEVEL, method=method, n=counted)


def _design_effect(parts: GroupParts, label: str) -> float:
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


def _ratio(label: str, reference: str, parts: GroupParts, table: ProtectedTable | None, fewest: int) -> Figure:
    """The risk ratio within practices, pooled by random effects; none where a sum behind it is hidden.

    Where counts of a practice are hidden, the least and the most that these allow, rounded outwards.
    """
    name, groups = f"risk ratio, {label} over {reference}", (label, reference)
    shown = [] if table is None else [table.cell(one, column) for one in groups for column in (ADVERSE, COUNTED)]
    each = [[counts[one] for one in groups for counts in (own.adverse, own.counted)] for _, own in parts.everyone]
    if any(one.state != "shown" for one in shown):
        return _no_figure(name, "A count behind it is hidden.")
    if not all(one.is_exact for row in each for one in row):
        limits = ratio_within(each, fewest=fewest, level=_LEVEL)
        if limits is None:
            return _no_figure(name, "Hidden counts leave it too open.")
        (least, most), (low, high) = map(_outwards, limits)
        note = replace(HIDDEN_ALLOW, numbers={"least": least, "most": most})
        method = f"{METHOD}; limits over what hidden counts allow"
        return replace(_no_figure(name, note), low=low, high=high, method=method)
    effects = ratio_effects(*([one.low for one in column] for column in zip(*each, strict=True)))
    if len(effects.practices) < fewest:
        are = number_of(len(effects.practices), "practice has", "practices have")
        return _no_figure(name, f"{are} an outcome to compare in both groups; at least {fewest} are needed.")
    return figure(name, pool(effects).natural(), digits=_RATIO_DIGITS)


def hidden_notes(parts: GroupParts, rows: Sequence[PooledGroup]) -> tuple[Caution, ...]:
    """What to keep in mind where counts are hidden."""
    some = (Caution("approximation", "counts_within_limits", {"n": n}),) if (n := len(parts.others)) else ()
    figures = (figure for one in rows for figure in (one.share, one.ratio) if figure is not None)
    is_open = any(figure.value is None and figure.low is not None for figure in figures)
    return (*some, HIDDEN_ALLOW) if is_open else some


def adjusted_ratios(
    members: Sequence[Member], agreement: Agreement, outcome: str, by: str, *, at: int, reference: str
) -> Adjusted:
    """Odds ratios of the groups of a variable to a reference group, within practices and the other groupings alike.

    Each grouping is taken at the finest level all practices have; one that some practice had to drop is not adjusted
    for. Practices without single cases, or that dropped the variable, take no part. ``by`` is compared at ``at``.
    """
    taking_part = [one for one in members if one.cases is not None and _is_kept(agreement, by, one.levels[by])]
    if len(taking_part) < agreement.fewest_practices:
        note = (
            f"No adjusted comparison: {number_of(len(taking_part), 'practice')} gave single cases with this variable."
        )
        return Adjusted(practices=len(taking_part), notes=(note,))
    levels = {name: max(member.levels[name] for member in taking_part) for name in agreement.groupings}
    levels[by] = max(levels[by], at)
    others = [name for name, level in levels.items() if name != by and _is_kept(agreement, name, level)]
    counts = counts_of(taking_part, agreement, outcome, {name: levels[name] for name in (by, *others)})
    return by_strata(counts, by, reference, agreement.minimum, len(taking_part))


def _is_kept(agreement: Agreement, name: str, level: int) -> bool:
    return set(agreement.hierarchy(name).levels[level].values()) != {ANY}


def counts_of(members: Sequence[Member], agreement: Agreement, outcome: str, levels: Mapping[str, int]) -> pl.DataFrame:
    """Adverse and counted cases of those who gave cases, by practice and by variables at these levels."""
    column, parts = pl.col(result_column(outcome)), []
    for member in members:
        if member.cases is not None:
            brought = [
                pl.col(name).replace_strict(coarser(agreement.hierarchy(name), member.levels[name], level))
                for name, level in levels.items()
            ]
            counted = member.cases.filter(column.is_in([ADVERSE, NOT_ADVERSE]))
            parts.append(
                counted.select(*brought, (column == ADVERSE).alias(ADVERSE), pl.lit(member.id).alias(PRACTICE))
            )
    return pl.concat(parts).group_by([*levels, PRACTICE]).agg(pl.col(ADVERSE).sum(), pl.len().alias(COUNTED))


def trend_of(rows: Sequence[PooledGroup]) -> Figure | None:
    """Change of the share a year over groups that are years or blocks of years, each at its middle."""
    found = [(row.share, re.fullmatch(r"(\d{4})(?: to (\d{4}))?", row.label)) for row in rows]
    if any(match and one.value is None and one.n for one, match in found):
        hidden = "No change of the share from year to year is given: counts of some years are hidden."
        return _no_figure(_TREND, hidden)  # without the years of few adverse cases it would be another one
    known = [(one.value, one.n, match) for one, match in found if match and one.value is not None]
    scores = [(int(match[1]) + int(match[2] or match[1])) / 2 for _, _, match in known]
    slope = cochran_armitage([round(value * n) for value, n, _ in known], [n for _, n, _ in known], scores=scores).slope
    return None if slope.value is None else figure(_TREND, slope)


def expected_shares(members: Sequence[Member], agreement: Agreement, outcome: str) -> dict[str, float]:
    """Id of a contribution -> share that cases like its own have over all practices that gave single cases.

    Indirect standardisation over the agreed groupings, to two decimals: it rests on counts that are not published.
    """
    giving = [one for one in members if one.cases is not None]
    levels = {name: max((one.levels[name] for one in giving), default=0) for name in agreement.groupings}
    names = [name for name, level in levels.items() if _is_kept(agreement, name, level)]
    if len(giving) < agreement.fewest_practices or not names:
        return {}
    counts = counts_of(giving, agreement, outcome, {name: levels[name] for name in names})
    shares = counts.group_by(names).agg((pl.col(ADVERSE).sum() / pl.col(COUNTED).sum()).alias("share"))
    weighed = (
        counts.join(shares, on=names)
        .group_by(PRACTICE)
        .agg(((pl.col("share") * pl.col(COUNTED)).sum() / pl.col(COUNTED).sum()).round(2))
    )
    return dict(weighed.iter_rows())


def by_strata(counts: pl.DataFrame, by: str, reference: str, minimum: int, practices: int) -> Adjusted:
    """Mantel-Haenszel odds ratios of the groups of a variable, within strata of all other columns of the counts.

    Rounded to two decimals, since counts behind it are not published; a group with fewer than ``minimum`` cases of
    either result has none.
    """
    strata = [name for name in counts.columns if name not in {by, ADVERSE, COUNTED}]
    enough = counts.group_by(by).agg(pl.col(ADVERSE).sum(), (pl.col(COUNTED) - pl.col(ADVERSE)).sum())
    groups = sorted(name for name, *both in enough.iter_rows() if min(both) >= minimum)
    if reference not in groups or len(groups) < 2:
        note = "No adjusted comparison: too few adverse cases, or too few others, in the groups."
        return Adjusted(practices=practices, notes=(note,))
    ratios = {}
    for group in (name for name in groups if name != reference):
        one, other = (
            counts.filter(pl.col(by) == name).with_columns(pl.lit(0).alias("all")) for name in (group, reference)
        )
        pairs = one.join(other, on=[*strata, "all"], how="full", coalesce=True, suffix=" 2").fill_null(0)
        rows = pairs.select(ADVERSE, COUNTED, f"{ADVERSE} 2", f"{COUNTED} 2").iter_rows()
        made = mantel_haenszel([Stratum(str(place), *row) for place, row in enumerate(rows)])
        ratio = figure(f"adjusted odds ratio, {group} over {reference}", made, digits=_RATIO_DIGITS)
        ratios[group] = replace(ratio, n=round(made.n, -1), notes=())
    return Adjusted(MappingProxyType(ratios), tuple(strata), practices)


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
    breakdowns = tuple(
        pooled_groups(members, agreement, one.outcome, by, publisher=publisher)
        for one in shown
        for by in agreement.groupings
    )
    made = tuple(one for one in means if one is not None)
    return result_of(agreement, shares, breakdowns, made, salt=salt, number=number, made_on=made_on)


def result_of(
    agreement: Agreement,
    shares: tuple[SharePool, ...],
    breakdowns: tuple[GroupPool, ...],
    means: tuple[MeanPool, ...],
    *,
    salt: str,
    number: int,
    made_on: str,
) -> GroupResult:
    """The result that these figures make under an agreement."""
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
        breakdowns=breakdowns,
        means=means,
        notes=NOTES,
    )


def _shares(
    members: Sequence[Member], agreement: Agreement, outcome: str, publisher: Publisher, salt: str
) -> SharePool:
    practices, totals, left_out = published_practices(members, agreement, outcome, publisher)
    made = share_pool(
        practices,
        agreement.definition(outcome),
        totals=tuple((name, cell.shown) for (name,), cell in totals.cells.items()) if totals else (),
        notes=left_out_notes(left_out),
        fewest=agreement.fewest_practices,
        salt=salt,
    )
    expected = expected_shares(members, agreement, outcome)
    by_tag = {tag_of(one.pseudonym, salt): expected.get(one.id) for one in members}
    return replace(made, lines=tuple(replace(line, expected=by_tag[line.tag]) for line in made.lines))
