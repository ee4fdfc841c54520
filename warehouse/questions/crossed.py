"""Two groupings at once: shares in every cell, and one grouping compared within the levels of the other."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from warehouse.analysis.difference import risk_difference
from warehouse.analysis.multiplicity import Comparisons, adjust_p_values
from warehouse.analysis.proportion import proportion
from warehouse.analysis.stratified import ChiSquaredTest, Stratum, breslow_day_test, cmh_test
from warehouse.marts.grouping import (
    Grouping,
    check_group,
    group_expression,
    group_label,
    in_order,
    is_known,
    single_grouping,
)
from warehouse.marts.reader import Reader
from warehouse.outcomes.definition import Definition
from warehouse.plans.planned_or_explored import Standing, stand
from warehouse.plans.question import Question, Stamped, stamp_of
from warehouse.questions.methods import stratified_estimate
from warehouse.results import Caution, Estimate
from warehouse.selection import Selection
from warehouse.store.quoting import statement

_Counts = dict[tuple[str, str], tuple[int, int]]  # (group, level) -> cases counted and adverse


@dataclass(frozen=True, slots=True, kw_only=True)
class CrossedCell:
    """One group at one level of the other grouping."""

    group: str  # Code of the group; `level` is that of the other grouping
    level: str
    n: int  # Cases counted
    n_adverse: int  # Cases adverse
    share: Estimate  # Share adverse
    # Share of this group minus that of the reference at the same level; None for the reference
    difference: Estimate | None


@dataclass(frozen=True, slots=True, kw_only=True)
class WithinLevels:
    """One group against the reference, like with like within the levels of the other grouping."""

    group: str  # Code of the group
    crude: Estimate  # Difference over all levels together, from the same cases
    difference: Estimate  # Mantel-Haenszel difference over the levels
    ratio: Estimate  # Mantel-Haenszel ratio over the levels
    test: ChiSquaredTest  # Cochran-Mantel-Haenszel test of no association at any level
    agreement: ChiSquaredTest  # Do the levels agree (Breslow-Day with Tarone's correction)?


@dataclass(frozen=True, slots=True, kw_only=True)
class CrossedComparison(Stamped):
    """Two groupings crossed."""

    by: Grouping  # The grouping compared
    by2: Grouping  # The grouping whose levels are held alike
    groups: Mapping[str, str]  # Code -> label of the first grouping, in order; `levels` of the second
    levels: Mapping[str, str]
    reference: str | None  # Code of the reference group; None where no case was counted
    cells: tuple[CrossedCell, ...]  # One a group and level, in order
    within: tuple[WithinLevels, ...]  # One a group but the reference
    corrected: Comparisons  # P values of `within`, corrected for their number
    not_known: int  # Cases counted whose group or level is not known; they are in no cell
    standing: Standing  # Planned or explored
    cautions: tuple[Caution, ...]  # What to keep in mind


def compare_crossed(reader: Reader, question: Question) -> CrossedComparison:
    """Shares of two groupings crossed, and each group against the reference within the levels of the second.

    Raises RequestError: a grouping does not exist, or lets a case be in several groups.
    """
    stamp, level = stamp_of(reader, question), question.level
    ways = single_grouping(question.by), single_grouping(question.by2)
    counts = _counts(reader, stamp.definition, stamp.selection, ways)
    known = {cell: both for cell, both in counts.items() if all(map(is_known, cell))}
    groups, levels = (_labels(reader, way, known, place) for place, way in enumerate(ways))
    base = _reference(question, groups, known)
    others = [group for group in groups if base is not None and group != base]
    within = tuple(_within(known, group, str(base), list(levels), ways[1].title.lower(), level) for group in others)
    asked = replace(question, definition=stamp.definition.name, adjust=(question.by2,))
    return CrossedComparison(
        stamp=stamp,
        by=ways[0],
        by2=ways[1],
        groups=groups,
        levels=levels,
        reference=base,
        cells=tuple(_cell(known, group, at, base, level) for group in groups for at in levels),
        within=within,
        corrected=adjust_p_values([one.test.p_value for one in within], names=[groups[one.group] for one in within]),
        not_known=sum(n for cell, (n, _) in counts.items() if cell not in known),
        standing=stand(reader, [replace(asked, first=group, second=str(base)) for group in others]),
        cautions=_cautions(known, groups, levels),
    )


def _counts(reader: Reader, definition: Definition, selection: Selection, ways: tuple[Grouping, Grouping]) -> _Counts:
    condition, values = selection.where()
    first, second = map(group_expression, ways)
    query = statement(__package__, "crossed.sql", first=first, second=second, condition=condition)
    rows = reader.connection.rows(query, [definition.id, *values])
    return {(first, second): (int(n), int(adverse)) for first, second, n, adverse in rows}


def _labels(reader: Reader, way: Grouping, counts: _Counts, place: int) -> dict[str, str]:
    """Code -> label of the groups that occur, in the order shown."""
    sizes: dict[str, int] = {}
    for cell, (n, _) in counts.items():
        sizes[cell[place]] = sizes.get(cell[place], 0) + n
    return {code: group_label(reader, way, code) for code in in_order(way, sizes)}


def _reference(question: Question, groups: Mapping[str, str], counts: _Counts) -> str | None:
    if question.reference:
        return check_group(question.by, question.reference, present=groups)
    sizes = {group: sum(n for (one, _), (n, _) in counts.items() if one == group) for group in groups}
    return max(sizes, key=lambda group: sizes[group], default=None)


def _cell(counts: _Counts, group: str, at: str, base: str | None, level: float) -> CrossedCell:
    n, adverse = counts.get((group, at), (0, 0))
    difference = None
    if base is not None and group != base:
        n_base, adverse_base = counts.get((base, at), (0, 0))
        difference = risk_difference(adverse, n, adverse_base, n_base, level=level)
    return CrossedCell(
        group=group, level=at, n=n, n_adverse=adverse, share=proportion(adverse, n, level=level), difference=difference
    )


def _within(counts: _Counts, group: str, base: str, levels: Sequence[str], what: str, level: float) -> WithinLevels:
    strata = []
    for at in levels:
        (n1, x1), (n2, x2) = counts.get((group, at), (0, 0)), counts.get((base, at), (0, 0))
        strata.append(Stratum(at, x1, n1, x2, n2))
    sums = [sum(getattr(stratum, part) for stratum in strata) for part in ("x1", "n1", "x2", "n2")]
    return WithinLevels(
        group=group,
        crude=risk_difference(*sums, level=level),
        difference=stratified_estimate(strata, measure="risk_difference", level=level, adjusted_for=(what,)),
        ratio=stratified_estimate(strata, measure="risk_ratio", level=level, adjusted_for=(what,)),
        test=cmh_test(strata),
        agreement=breslow_day_test(strata),
    )


def _cautions(counts: _Counts, groups: Mapping[str, str], levels: Mapping[str, str]) -> tuple[Caution, ...]:
    n_cells = len(groups) * len(levels)
    filled = [n for n, _ in counts.values() if n]
    cautions = []
    if n_cells > len(filled):
        cautions.append(Caution("positivity", "empty_cells", {"empty": n_cells - len(filled), "n": n_cells}))
    small = sum(n < 10 for n in filled)
    if small:
        cautions.append(Caution("small_sample", "small_cells", {"n": small}))
    return tuple(cautions)
