"""``menton compare``: groups of cases compared, one grouping, two groupings, one group before another, or a plan."""

import argparse
from functools import partial

from pipelines.commands.options import (
    check_pair,
    print_table,
    question_from,
    reading,
    say,
    say_answer,
    say_end,
    say_head,
    say_json,
    say_list,
)
from pipelines.commands.rate import print_beside
from warehouse.analysis.inputs import check_method
from warehouse.analysis.multiplicity import Comparisons
from warehouse.errors import RequestError
from warehouse.marts.reader import Reader
from warehouse.plans.question import Question
from warehouse.questions.contrast import AllOutcomes, PairComparison, compare_all_outcomes, compare_pair
from warehouse.questions.crossed import CrossedCell, CrossedComparison, compare_crossed
from warehouse.questions.groups import GroupComparison, compare_groups, share_over_age
from warehouse.questions.methods import METHODS, MethodResult
from warehouse.questions.run_plan import PlanResult, run_plan
from warehouse.questions.shares import GroupRow
from warehouse.results import Estimate
from warehouse.words.changes import age_sentence, outcome_sentences, plan_sentences
from warehouse.words.contrasts import (
    brief_sentences,
    groups_sentences,
    needed_sentence,
    pair_sentences,
    within_sentence,
)
from warehouse.words.numbers import cases, column_words, counted, number, p_bare, percent, percent_range, points, span
from warehouse.words.sentences import caution_text
from warehouse.words.sentences import say as text

FEW_GROUPS = 3  # groups up to which every comparison is also printed as a sentence

METHOD_COLUMNS = ("method", "first", "second", "difference", "interval", "ratio", "interval of ratio", "p")


def print_pair(result: PairComparison, *, workings: bool = False) -> None:
    """One group before another, in a minute; with ``workings`` the methods side by side, balance, what is left open."""
    first, second = result.labels
    if not workings:
        say_list(brief_sentences(result))
        cases = result.selection.sentence()
        say(f"  {text('audit.brief', definition=result.definition.name, cases=cases, build=result.build)}")
        say_list([text("audit.workings")])
        return
    say_head(f"{first} against {second}", result)
    said = pair_sentences(result)
    say()
    say_list(said[:4])
    print_table("", METHOD_COLUMNS, [_method_row(one, result.primary) for one in result.methods], right=range(1, 8))
    say(f"  * the primary analysis; difference in percentage points, {first} minus {second}")
    if result.balance_overlap.rows:
        _print_balance(result)
    say_list(said[4:])
    _print_warnings(result)
    say_end(result.standing, result.cautions)


def _method_row(one: MethodResult, primary: str) -> list[str]:
    return [
        f"{one.title}{' *' if one.method == primary else ''}",
        _share(one.first),
        _share(one.second),
        *_difference(one.difference),
        number(one.ratio.value),
        span(one.ratio.interval),
        p_bare(one.p_value) if one.method == primary else "",
    ]


def _share(estimate: Estimate | None) -> str:
    return "" if estimate is None or estimate.value is None else percent(estimate.value)


def _difference(one: Estimate) -> list[str]:
    """A difference in percentage points, and its interval."""
    return [points(one.value), span(one.interval, digits=1, scale=100)]


def _corrected(family: Comparisons) -> dict[str, float | None]:
    """Name of a comparison -> its corrected p value."""
    return {row.name: row.adjusted for row in family.rows}


def _print_balance(result: PairComparison) -> None:
    overlap, inverse = result.balance_overlap, result.balance_inverse
    rows = [
        [column_words(one.name), *(number(at.standardised_difference) for at in (one.before, one.after, other.after))]
        for one, other in zip(overlap.rows, inverse.rows, strict=True)
    ]
    rows.append(["largest", *map(number, (overlap.largest_before, overlap.largest_after, inverse.largest_after))])
    columns = ["standardised difference of", "before", "overlap weights", "inverse weights"]
    print_table("", columns, rows, right=range(1, 4))


def _print_warnings(result: PairComparison) -> None:
    by_method = [(one.title, caution) for one in result.methods for caution in one.warnings]
    of_overlap = (*result.overlap.warnings, *result.balance_inverse.warnings)
    overlap = [("groups and their overlap", caution) for caution in of_overlap]
    seen: set[str] = set()
    for what, caution in [*by_method, *overlap]:
        text = caution_text(caution)
        if text not in seen:
            seen.add(text)
            say(f"  {what}: {text}")


def print_groups(result: GroupComparison, said: list[str]) -> None:
    """All groups against the reference, the correction for their number, and the trend."""
    found = result.rates
    title = found.by.title.lower() if found.by else ""
    say_head(
        f"Share adverse by {title}" + (f", each against {result.reference_label}" if result.reference_label else ""),
        found,
    )
    if not found.groups:
        say("  No case is left under these choices.")
        return
    columns = ["group", "adverse", "share", "pooled", "difference", "interval", "ratio", "exact p", "corrected p"]
    print_table("", columns, [_group_row(group, result) for group in found.groups], right=range(1, 9))
    say("  difference in percentage points; pooled: the share adjusted for small numbers")
    print_beside(found)
    n_groups = len(found.groups)
    say_list(said[n_groups:])
    labels = {group.group: group.label for group in found.groups}
    for code, two in result.compared.items():
        row = next((one for one in result.corrected.rows if one.name == labels[code]), None)
        if row is not None and row.rejected:
            say(f"  {said[[group.group for group in found.groups].index(code)]}")
            say(f"    {needed_sentence(two, labels[code])}")
    say_list(f"{group.label}: {caution_text(caution)}" for group in found.groups for caution in group.warnings)
    if found.by and found.by.note:
        say(f"  {found.by.note}")
    say_end(result.standing, result.cautions)


def _group_row(group: GroupRow, result: GroupComparison) -> list[str]:
    two = result.compared.get(group.group)
    pooled = None
    if result.pooled is not None:
        pooled = next((one.pooled for one in result.pooled.rates if one.group == group.label), None)
    row = [
        group.label,
        f"{group.adverse.n:,} of {group.counted.n:,}",
        _share(group.rate) or "none counted",
        _share(pooled),
    ]
    if two is None:
        return [*row, *(["reference"] if group.group == result.reference else ["—"]), "", "", "", ""]
    return [
        *row,
        *_difference(two.difference),
        number(two.ratio.value),
        p_bare(two.test.p_value),
        p_bare(_corrected(result.corrected).get(group.label)),
    ]


def print_crossed(result: CrossedComparison) -> None:
    """Two groupings crossed: a row a group, a column a level, then each group within the levels."""
    say_head(f"Share adverse by {result.by.title.lower()} within {result.by2.title.lower()}", result)
    columns = [result.by.title, *result.levels.values()]
    rows = [
        [label, *(_cell(cell) for cell in result.cells if cell.group == code)] for code, label in result.groups.items()
    ]
    print_table("", columns, rows, right=range(1, len(columns)))
    _print_within(result)
    if result.not_known:
        say(f"  {cases(result.not_known)} counted, in no cell: the group or level is not known.")
    say_end(result.standing, result.cautions)


def _print_within(result: CrossedComparison) -> None:
    """Each group against the reference, like with like; as sentences too where they are few."""
    if not result.within:
        return
    corrected = _corrected(result.corrected)
    columns = [f"within {result.by2.title.lower()}", "crude", "difference", "interval", "p", "corrected p"]
    rows = [
        [
            result.groups[one.group],
            points(one.crude.value),
            *_difference(one.difference),
            p_bare(one.test.p_value),
            p_bare(corrected.get(result.groups[one.group])),
        ]
        for one in result.within
    ]
    print_table("", columns, rows, right=range(1, 6))
    say(
        f"  each against {result.groups[str(result.reference)]}, in percentage points (Mantel-Haenszel over the levels)"
    )
    if len(result.within) <= FEW_GROUPS:
        say_list([within_sentence(result, one) for one in result.within])


def _cell(cell: CrossedCell) -> str:
    if cell.share.value is None:
        return "none"
    return f"{counted(cell.n_adverse, cell.n)}\n{percent_range(cell.share.interval, digits=0)}"


def print_outcomes(result: AllOutcomes) -> None:
    """Two groups on every outcome, the headline's family first."""
    first, second = result.rows[0].labels if result.rows else ("", "")
    say(f"{first} against {second} on every outcome")
    say(f"  cases: {result.selection.sentence()}; build {result.build}")
    columns = ["outcome", "", "first", "second", "crude", "adjusted", "interval", "p", "corrected p"]
    corrected = _corrected(result.corrected)
    rows = [
        [
            f"{row.definition.name}\n{row.definition.label}",
            "secondary" if secondary else "",
            _share(row.crude.first) or "none",
            _share(row.crude.second) or "none",
            points(row.crude.difference.value),
            *_difference(row.answer.difference),
            p_bare(row.answer.p_value),
            p_bare(corrected.get(row.definition.id)),
        ]
        for row, secondary in zip(result.rows, result.secondary, strict=True)
    ]
    print_table("", columns, rows, right=range(2, 9))
    say(
        "  shares and crude difference as the cases came; adjusted: "
        + (result.rows[0].answer.title if result.rows else "")
    )
    say_list([line for line, row in zip(outcome_sentences(result), result.rows, strict=True) if row.n == 0])
    n = result.corrected.n_comparisons
    say(f"  corrected p: allowing for {n} outcomes tested ({result.corrected.method}).")
    say_end(result.standing)


def print_plan_result(result: PlanResult) -> None:
    """A plan carried out: the question, the primary comparison in full, then the family."""
    registered = result.registered
    say(f"Audit plan {registered.plan.id}, agreed {registered.plan.date}: {registered.plan.question}")
    say(f"  registered {registered.registered_at}, digest {registered.sha256[:16]}")
    say()
    if isinstance(result.main, PairComparison):
        print_pair(result.main)
    else:
        print_groups(result.main, groups_sentences(result.main))
    adjusted = _corrected(result.corrected)
    columns = ["comparison", "cases", "difference", "interval", "p", "corrected p"]
    rows = [
        [
            member.name,
            f"{member.n:,}",
            *_difference(member.difference),
            p_bare(member.p_value),
            p_bare(adjusted.get(member.name)),
        ]
        for member in result.family
    ]
    print_table("every comparison the plan lists", columns, rows, right=range(1, 6))
    say_list(plan_sentences(result))
    say_end(result.standing)


def run(args: argparse.Namespace) -> None:
    _check(args)
    question = question_from(args, by="appliance_category")
    with reading(args) as reader:
        if args.plan:
            planned = run_plan(reader, args.plan)
            say_answer(args, planned, print_plan_result, sentences=plan_sentences(planned))
        elif args.a and args.outcomes:
            outcomes = compare_all_outcomes(reader, question)
            say_answer(args, outcomes, print_outcomes, sentences=outcome_sentences(outcomes))
        elif args.a:
            pair = compare_pair(reader, question, tested=args.json or args.workings)
            print_it = partial(print_pair, workings=args.workings)
            say_answer(args, pair, print_it, sentences=pair_sentences(pair))
        elif args.by2:
            crossed = compare_crossed(reader, question)
            sentences = [within_sentence(crossed, one) for one in crossed.within]
            say_answer(args, crossed, print_crossed, sentences=sentences)
        else:
            _groups(args, reader, question)


_SAID_BY_PLAN = ("by", "by2", "a", "b", "reference", "adjust", "strata", "primary", "outcomes", "landmark")
_NEEDS_PAIR = ("adjust", "strata", "primary", "outcomes", "workings", "landmark")


def _check(args: argparse.Namespace) -> None:
    """Refuse (RequestError) options that do not go together, before anything is read."""
    given = [f"--{option}" for option in _SAID_BY_PLAN if getattr(args, option)] if args.plan else []
    if given:
        found = f"a plan says what is compared and how; {' and '.join(given)} cannot be given with --plan"
        raise RequestError(found, remedy="leave out what the plan says, or compare without a plan")
    check_pair(args)
    for option in _NEEDS_PAIR:
        if getattr(args, option) and not args.a:
            found = f"--{option} is given without two groups"
            raise RequestError(found, expected="--a CODE --b CODE", remedy="name the two groups")
    if args.a and (args.by2 or args.reference):
        found = "--by2 and --reference do not go with --a and --b"
        raise RequestError(found, expected="one or the other", remedy="adjust for the second grouping with --adjust")
    if args.primary:
        check_method(args.primary, METHODS)


def _groups(args: argparse.Namespace, reader: Reader, question: Question) -> None:
    result = compare_groups(reader, question)
    curve = share_over_age(reader, question) if question.by == "age_band" else None
    said = groups_sentences(result) + ([age_sentence(curve)] if curve else [])
    if args.json:
        say_json({"comparison": result, "over_age": curve}, sentences=said)
    else:
        print_groups(result, said)
