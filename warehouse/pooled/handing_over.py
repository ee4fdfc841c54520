"""What one practice would hand over to its group, made ready for the practice to look at before anything leaves.

Case level: every case, generalised until it has enough others like it. Counts only: the agreed tables, each at the
finest level of its variable at which no count has to be hidden, else with small counts hidden by the one engine.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from types import MappingProxyType

import polars as pl

from warehouse.disclosure import HIDDEN, Policy, Release, protect
from warehouse.disclosure.anonymise import Anonymised, anonymise
from warehouse.disclosure.hierarchy import ANY
from warehouse.pooled.agreement import Agreement, Level
from warehouse.pooled.cases import GroupCases, result_column
from warehouse.pooled.history import (
    ContributionChange,
    HandedOver,
    Moments,
    Past,
    moments_of,
    past_of,
    smallest_difference,
    why_no_mean,
)
from warehouse.pooled.tables import (
    COUNTED,
    STARTED,
    Counts,
    breakdown_layout,
    breakdown_table,
    coarser,
    family,
    is_about,
    members_at,
    merged,
    totals_known,
    totals_name,
    totals_table,
)
from warehouse.pooled.variables import ADVERSE, NOT_ADVERSE, NOT_DUE, NOT_KNOWN
from warehouse.results import Caution


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class HandingOver:
    """A contribution before it is packed."""

    level: Level  # `cases` or `counts`
    n_cases: int | None  # Cases it is about; None where that number is hidden
    cases: pl.DataFrame | None = None  # The generalised cases, in an order that says nothing; None for counts
    # Variable -> level of generalisation, for cases
    levels: Mapping[str, int] = field(default_factory=lambda: MappingProxyType({}))
    # The tables as they may leave, for counts. They carry the guards of their owner, which stay behind.
    tables: tuple[Release, ...] = ()
    held_back: tuple[str, ...] = ()  # Sentences: what was agreed but does not leave, and why
    changes: tuple[str, ...] = ()  # Sentences: what was generalised
    made: Anonymised | None = None  # How anonymous the cases became; None for counts
    # The smallest difference to an earlier contribution; None where there is none
    difference: ContributionChange | None = None
    # Outcome -> number, mean and variance of the changes, as they may leave
    means: Mapping[str, Moments] = field(default_factory=lambda: MappingProxyType({}))
    # Cases in the smallest group that those new or changed since the last case-level contribution form among
    # themselves; None where there was none, or none is new
    alike_among_new: int | None = None
    refused: Caution | str = ""  # Why nothing may leave, or empty


def hand_over(
    cases: GroupCases, agreement: Agreement, *, level: Level, history: Sequence[HandedOver] = ()
) -> HandingOver:
    """Make a contribution ready; ``history`` is all the practice handed over before, to any group, oldest first."""
    differing = smallest_difference(history, cases.versions)
    reason = _why_not(cases, agreement, level, differing)
    if reason:
        return HandingOver(level=level, n_cases=cases.frame.height, difference=differing, refused=reason)
    made = replace((_cases if level == "cases" else _counts)(cases, agreement, history), difference=differing)
    return made if made.refused else _with_means(made, cases, agreement, history)


def _with_means(
    made: HandingOver, cases: GroupCases, agreement: Agreement, history: Sequence[HandedOver]
) -> HandingOver:
    """What is to leave, and with it the means that may."""
    means: dict[str, Moments] = {}
    held_back = list(made.held_back)
    for outcome in agreement.outcomes:
        if agreement.definition(outcome).single_change is None:
            continue
        values = cases.values.get(outcome, {})
        reason = why_no_mean(values, _counted(made, outcome), outcome, agreement, history)
        found = moments_of(list(values.values()))
        if reason or found is None:
            held_back.append(f"{outcome}: no mean change, because {reason}.")
        else:
            means[outcome] = found
    return replace(made, means=MappingProxyType(means), held_back=tuple(held_back))


def _counted(made: HandingOver, outcome: str) -> int | None:
    """Cases counted, as they leave; None where that number is hidden."""
    if made.cases is not None:
        return int(made.cases[result_column(outcome)].is_in([ADVERSE, NOT_ADVERSE]).sum())
    table = next((one for one in made.tables if one.name == totals_name(outcome)), None)
    return None if table is None else table.cells[COUNTED,].value


def _why_not(
    cases: GroupCases, agreement: Agreement, level: Level, differing: ContributionChange | None
) -> Caution | str:
    n = cases.frame.height
    if n == 0:
        return "There is no consecutive treated case to contribute."
    if n > agreement.most_cases:
        return f"There are {n:,} cases; the group takes at most {agreement.most_cases:,} from one practice."
    if level == "cases" and agreement.level == "counts":
        return "The group agreed on counts only, so single cases must not leave, not even generalised."
    if differing is not None and differing.total < agreement.fewest_new:
        return Caution("withheld", "few_new", {"n": differing.total, "fewest": agreement.fewest_new})
    return ""


def _cases(cases: GroupCases, agreement: Agreement, history: Sequence[HandedOver]) -> HandingOver:
    made = anonymise(
        cases.frame,
        agreement.variables,
        k=agreement.k,
        l=agreement.l,
        sensitive=[result_column(outcome) for outcome in agreement.outcomes],
        weights=agreement.weights,
    )
    if made.frame is None:
        return HandingOver(level="cases", n_cases=cases.frame.height, refused=made.warnings[0])
    return HandingOver(
        level="cases",
        n_cases=cases.frame.height,
        cases=made.frame.sort(made.frame.columns),
        levels=made.levels,
        changes=made.changes,
        made=made,
        alike_among_new=_alike_among_new(made.frame, cases, agreement, history),
    )


def _alike_among_new(
    made: pl.DataFrame, cases: GroupCases, agreement: Agreement, history: Sequence[HandedOver]
) -> int | None:
    last = next((one for one in reversed(history) if one.level == "cases"), None)
    if last is None:
        return None
    new = [False] * made.height
    for outcome, versions in cases.versions.items():  # in the order of the rows: both are sorted by case key
        before = last.versions.get(outcome, {})
        new = [seen or before.get(key) != digest for seen, (key, digest) in zip(new, versions.items(), strict=True)]
    sizes = made.filter(pl.Series(new, dtype=pl.Boolean)).group_by([one.name for one in agreement.variables]).len()
    return min(sizes["len"].to_list(), default=None)


def _counts(cases: GroupCases, agreement: Agreement, history: Sequence[HandedOver]) -> HandingOver:
    tables: list[Release] = []
    held_back: list[str] = []
    changes: list[str] = []
    policy = agreement.contribution_policy
    for place, outcome in enumerate(agreement.outcomes):
        given = [one for one in agreement.outcomes[:place] if any(is_about(table, one) for table in tables)]
        if other := told_by_another(cases.frame, outcome, given, policy):
            held_back.append(f"{outcome}: no count. Together with {other} it would give a small count away.")
            continue
        past = past_of(history, outcome, cases.versions[outcome])
        results = dict(cases.frame[result_column(outcome)].value_counts().iter_rows())
        totals = protect(
            totals_table(outcome, results, scope=past.scope),
            policy,
            earlier=family(past.releases, outcome),
            last=frozenset({(COUNTED,), (ADVERSE,)}),
        )
        if totals.refused:
            held_back.append(f"{outcome}: no count. {totals.refused}")
            continue
        tables.append(totals.release)
        if not totals_known(totals):
            held_back.append(f"{outcome}: a total is hidden, so no breakdown is given.")
            continue
        for by in agreement.groupings:
            if other := told_by_another(cases.frame, outcome, given, policy, (by,)):
                held_back.append(
                    f"{outcome} by {by}: not given. Together with {other} it would give a small count away."
                )
                continue
            table, held, change = _breakdown(cases.frame, agreement, outcome, by, past, totals.release)
            tables += [table] if table else []
            held_back.append(held)
            changes.append(change)
    refused = "" if tables else "Nothing may leave: every table would give away a small count."
    tables = _started_alike(tables)
    return HandingOver(
        level="counts",
        n_cases=_started(tables),
        tables=tuple(tables),
        held_back=tuple(one for one in held_back if one),
        changes=tuple(dict.fromkeys(one for one in changes if one)),
        refused=refused,
    )


def _started(tables: Sequence[Release]) -> int | None:
    """The number of cases as the totals show it; None where it is hidden."""
    return next((cell.value for one in tables for key, cell in one.cells.items() if key == (STARTED,)), None)


def _started_alike(tables: list[Release]) -> list[Release]:
    """The number of cases hidden in the totals of every outcome where one hides it: it is the same in all."""
    hidden = any(key == (STARTED,) and cell.state != "shown" for one in tables for key, cell in one.cells.items())
    return [
        replace(one, cells=MappingProxyType({**one.cells, (STARTED,): HIDDEN}))
        if hidden and one.cells.get((STARTED,), HIDDEN).state == "shown"
        else one
        for one in tables
    ]


def told_by_another(
    frame: pl.DataFrame, outcome: str, others: Sequence[str], policy: Policy, by: Sequence[str] = ()
) -> str | None:
    """An outcome whose counts, subtracted from those of this one, would be a small count; asked of the cases.

    One definition implies another wherever the cases of the one lie within those of the other, whatever the definitions
    say: what lies between is then a count that anyone can take from the two.
    """
    mine = pl.col(result_column(outcome))
    for other in others:
        theirs = pl.col(result_column(other))
        for results in ((ADVERSE,), (NOT_ADVERSE,), (ADVERSE, NOT_ADVERSE), (NOT_KNOWN,), (NOT_DUE,)):
            one, two = mine.is_in(results), theirs.is_in(results)
            more, fewer = (one & ~two).sum().alias("more"), (two & ~one).sum().alias("fewer")
            found = frame.group_by(*by).agg(more, fewer) if by else frame.select(more, fewer)
            for row in found.select("more", "fewer").iter_rows():
                if min(row) == 0 and policy.is_small(max(row)):
                    return other
    return None


def _breakdown(
    frame: pl.DataFrame, agreement: Agreement, outcome: str, by: str, past: Past, totals: Release
) -> tuple[Release | None, str, str]:
    """A table as it may leave, what of it is held back, and how it was made coarser."""
    hierarchy = agreement.hierarchy(by)
    counts = counts_by(frame, outcome, by, hierarchy.base)
    level = finest_level(counts, agreement, by)
    if level is None:
        return None, f"{outcome} by {by}: every way to group leaves nothing but the total.", ""
    members = members_at(hierarchy, level)
    layout = breakdown_layout(outcome, by, members, scope=past.scope)
    policy = agreement.contribution_policy
    found = protect(
        breakdown_table(outcome, by, counts, layout), policy, earlier=family([*past.releases, totals], outcome, by)
    )
    if found.refused:
        return None, f"{outcome} by {by}: not given. {found.refused}", ""
    hidden = sum(cell.state != "shown" for cell in found.cells.values())
    held_back = f"{outcome} by {by}: {hidden} of {len(found.cells)} counts are hidden." if hidden else ""
    return found.release, held_back, f"{by} is merged to: {', '.join(members)}." if level else ""


def counts_by(frame: pl.DataFrame, outcome: str, by: str, base: Sequence[str]) -> dict[str, Counts]:
    """Base value -> adverse and counted cases, in the order of the base values."""
    column = pl.col(result_column(outcome))
    found = frame.group_by(by).agg(
        (column == ADVERSE).sum().alias("adverse"), column.is_in([ADVERSE, NOT_ADVERSE]).sum().alias("counted")
    )
    known = {str(value): (int(adverse), int(counted)) for value, adverse, counted in found.iter_rows()}
    return {value: known.get(value, (0, 0)) for value in base}


def finest_level(counts: Mapping[str, Counts], agreement: Agreement, by: str) -> int | None:
    """The finest level at which nothing is small; failing that, the one with the fewest cases in small rows."""
    hierarchy, is_small = agreement.hierarchy(by), agreement.contribution_policy.is_small
    best: tuple[int, int] | None = None
    for level, labels in enumerate(hierarchy.levels):
        if set(labels.values()) == {ANY}:
            break
        rows = merged(counts, coarser(hierarchy, 0, level)).values()
        spoilt = sum(n for adverse, n in rows if any(is_small(count) for count in (adverse, n, n - adverse)))
        filled = sum(counted > 0 for _, counted in rows)
        if filled > 1 and (best is None or spoilt < best[0]):
            best = (spoilt, level)
    return None if best is None else best[1]
