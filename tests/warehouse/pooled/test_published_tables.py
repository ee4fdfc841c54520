"""Attacks on what a group gets to see: by a solver of its own on one result, and by the engine's over several."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import polars as pl
import pytest
from scipy.optimize import Bounds, LinearConstraint, milp

from tests.study_group import agreement, as_cases, cohort, counted, member, members
from tests.warehouse.disclosure.attacker import attack, attack_guarded, left_open
from warehouse.pooled.agreement import Agreement
from warehouse.pooled.cases import GroupCases
from warehouse.pooled.handing_over import hand_over
from warehouse.pooled.member import Member
from warehouse.pooled.pooling import pooled_groups, pooled_result
from warehouse.pooled.publishing import Practice, Publisher, ledger_entry, published_practices, publisher_from
from warehouse.pooled.result import GroupResult, SummedRound
from warehouse.pooled.sums import pooled_sums, summed, vector_of
from warehouse.pooled.tables import SCOPE

PLAIN = agreement(groupings=("extraction",), k=2, l=1)


def pooled(given: list[Member], publisher: Publisher, agreed: Agreement = PLAIN) -> GroupResult:
    return pooled_result(given, agreed, publisher=publisher, salt="s", number=1, made_on="2026-02-01")


def let_out(
    given: list[Member], publisher: Publisher, agreed: Agreement = PLAIN
) -> tuple[list[Practice], dict[str, str]]:
    """The tables of a result without the figures made from them: the practices, and the totals as shown."""
    practices, totals, _ = published_practices(given, agreed, "D1", publisher)
    for by in agreed.groupings:
        pooled_groups(given, agreed, "D1", by, publisher=publisher)
    return practices, {key[0]: cell.shown for key, cell in totals.cells.items()} if totals else {}


def limits(shown: str, counted_: int) -> tuple[float, float]:
    if shown == "withheld":
        return 5, counted_
    small = re.fullmatch(r"fewer than (\d+)", shown)
    return (1, int(small[1]) - 1) if small else (float(shown), float(shown))


def ranges_of_hidden(practices: list[Practice], totals: dict[str, str]) -> list[tuple[int, int]]:
    """What integer programming finds of each practice's adverse cases, from the words shown alone."""
    n = [int(one.counted_shown) for one in practices]
    bounds = np.array([limits(one.adverse_shown, n[i]) for i, one in enumerate(practices)])
    total = totals.get("adverse", "")
    rows = LinearConstraint(np.ones((1, len(n))), int(total), int(total)) if total.isdigit() else ()
    found = []
    for i in [i for i, one in enumerate(practices) if not one.adverse_shown.isdigit()]:
        ends = []
        for sign in (1, -1):
            costs = np.zeros(len(n))
            costs[i] = sign
            answer = milp(costs, integrality=np.ones(len(n)), bounds=Bounds(*bounds.T), constraints=rows)
            assert answer.status == 0
            ends.append(round(sign * answer.fun))
        found.append((ends[0], ends[1]))
    return found


def check_group(seed: int) -> int:
    rng = np.random.default_rng(seed)
    given = []
    for i in range(int(rng.integers(3, 9))):
        cases = cohort(rng, int(rng.integers(30, 200)), PLAIN, share=rng.uniform(0.02, 0.2), even=2.0)
        given.append(member(hand_over(cases, PLAIN, level="cases"), f"{i}"))
    publisher = Publisher(PLAIN.pooled_policy)
    practices, totals = let_out(given, publisher)
    hidden = ranges_of_hidden(practices, totals) if len(practices) == len(given) else []
    assert all(low < high for low, high in hidden)
    assert all(one.low < one.high for one in left_open(publisher.made))
    return len(hidden)


def test_a_solver_finds_no_hidden_count_in_a_result() -> None:
    assert sum(check_group(seed) for seed in range(6)) > 5


@pytest.mark.slow
def test_a_solver_finds_none_in_a_hundred_results() -> None:
    assert sum(check_group(seed) for seed in range(6, 106)) > 100


def check_linked(seed: int, round_to: int | None) -> int:
    """All tables of a result at once, breakdowns by three variables among them, attacked together."""
    agreed = replace(LINKED, round_to=round_to)
    rng = np.random.default_rng(seed)
    given = []
    for i in range(4):
        cases = cohort(rng, int(rng.integers(40, 160)), agreed, share=rng.uniform(0.05, 0.25), even=2.0)
        given.append(member(hand_over(cases, agreed, level="cases"), f"{i}"))
    publisher = Publisher(agreed.pooled_policy)
    pooled(given, publisher, agreed)
    assert all(one.low < one.high for one in left_open(publisher.made))
    return len([one for one in publisher.made if " by " in one.name])


LINKED = agreement(variables=("age_band", "sex", "extraction"), groupings=("age_band", "sex", "extraction"), k=2, l=1)


@pytest.mark.parametrize("round_to", [None, 5])
def test_breakdowns_by_several_variables_give_nothing_away_together(round_to: int | None) -> None:
    assert sum(check_linked(seed, round_to) for seed in range(2)) > 2


@pytest.mark.slow
@pytest.mark.parametrize("round_to", [None, 5])
@pytest.mark.parametrize("seed", range(2, 22))
def test_twenty_more_results_of_linked_breakdowns(seed: int, round_to: int | None) -> None:
    check_linked(seed, round_to)


@pytest.mark.parametrize("adverse", [(3, 12, 9, 15), (3, 2, 9, 15, 20), (4, 20, 30), (3, 0, 12, 9, 15)])
def test_one_who_knows_his_own_count_cannot_work_out_another_s(adverse: tuple[int, ...]) -> None:
    """Every practice in turn takes its own count from what is shown; by a solver of our own."""
    given = members([counted(x, 90 - x + i, PLAIN) for i, x in enumerate(adverse)], PLAIN, level="cases")
    practices, totals = let_out(given, Publisher(PLAIN.pooled_policy))
    hidden = [one for one in practices if not one.adverse_shown.isdigit()]
    assert len(hidden) >= 3
    mine = {f"P-{i:03}": x for i, x in enumerate(adverse)}
    for insider in hidden:
        known = [replace(one, adverse_shown=str(mine[one.pseudonym])) if one is insider else one for one in practices]
        assert all(low < high for low, high in ranges_of_hidden(known, totals))


def test_the_same_contributions_are_let_out_word_for_word_again() -> None:
    given = members([counted(x, 90 - x, PLAIN) for x in (3, 12, 9, 15)], PLAIN, level="cases")
    publisher = Publisher(PLAIN.pooled_policy)
    first = pooled(given, publisher)
    n = len(publisher.made)
    assert pooled(given, publisher) == first
    assert len(publisher.made) == n


def test_the_ledger_is_read_back_as_it_was_written() -> None:
    publisher = Publisher(PLAIN.pooled_policy)
    given = members([counted(x, 90 - x, PLAIN) for x in (3, 12, 9, 15)], PLAIN, level="cases")
    pooled(given, publisher)
    again = publisher_from([ledger_entry(publisher)], PLAIN.pooled_policy)
    assert again.earlier == publisher.made
    assert again.scopes == publisher.scopes
    pooled(given, again)
    assert again.made == []


def test_a_practice_with_few_adverse_cases_does_not_stand_out_when_it_joins() -> None:
    """The total rises by its 3 adverse cases: two results side by side would tell, so the second total is hidden."""
    three = members([counted(x, 90 - x, PLAIN) for x in (12, 9, 15)], PLAIN, level="cases")
    publisher = Publisher(PLAIN.pooled_policy)
    let_out(three, publisher)
    joined = [*three, member(hand_over(counted(3, 60, PLAIN), PLAIN, level="cases"), "new")]
    assert let_out(joined, publisher)[1]["adverse"] == "withheld"
    assert all(one.low < one.high for one in left_open(publisher.known))
    assert let_out(joined, Publisher(PLAIN.pooled_policy))[1]["adverse"] == "39"


def test_a_renewed_contribution_is_taken_to_hold_the_earlier_cases() -> None:
    """One practice adds 12 cases of which 1 is adverse; nothing shown may say so."""
    old = [counted(x, 90 - x, PLAIN) for x in (12, 9, 15)]
    publisher = Publisher(PLAIN.pooled_policy)
    first = members(old, PLAIN, level="cases")
    let_out(first, publisher)
    more = as_cases(pl.concat([old[0].frame, counted(1, 11, PLAIN).frame]), PLAIN)
    renewed = member(hand_over(more, PLAIN, level="cases"), "000", id_="id-2", replaces=("id-000",))
    practices, totals = let_out([renewed, *first[1:]], publisher)
    assert publisher.scopes["D1"]["id-2"] == ("id-000", "id-2")
    assert "withheld" in {totals["adverse"], *(one.adverse_shown for one in practices)}
    assert all(one.low < one.high for one in attack_guarded(publisher.known))


def test_a_contribution_that_shrank_is_taken_to_be_of_other_cases() -> None:
    publisher = Publisher(PLAIN.pooled_policy)
    first = members([counted(x, 90 - x, PLAIN) for x in (12, 9, 15)], PLAIN, level="cases")
    let_out(first, publisher)
    fewer = member(hand_over(counted(8, 60, PLAIN), PLAIN, level="cases"), "000", id_="id-2", replaces=("id-000",))
    practices, _ = let_out([fewer, *first[1:]], publisher)
    assert publisher.scopes["D1"]["id-2"] == ("id-2",)
    assert len(practices) == 3


def check_history(seed: int) -> None:
    """Practices join, renew and withdraw over five results; all tables let out are attacked together."""
    rng = np.random.default_rng(seed)
    publisher = Publisher(PLAIN.pooled_policy)

    def some(least: int, most: int) -> pl.DataFrame:
        return cohort(rng, int(rng.integers(least, most)), PLAIN, share=0.12, even=2.0).frame

    frames = {f"{i}": some(40, 160) for i in range(5)}
    sent = {name: [f"{name}.0"] for name in frames}
    for round_ in range(1, 6):
        given = [
            member(
                hand_over(as_cases(frame, PLAIN), PLAIN, level="cases"),
                name,
                id_=sent[name][-1],
                replaces=tuple(sent[name][:-1]),
            )
            for name, frame in frames.items()
        ]
        let_out(given, publisher)
        for name in [name for name in frames if rng.random() < 0.4]:
            frames[name] = pl.concat([frames[name], some(10, 40)])
            sent[name].append(f"{name}.{round_}")
        if rng.random() < 0.5:
            frames[f"j{round_}"] = some(40, 160)
            sent[f"j{round_}"] = [f"j{round_}.{round_}"]
        if len(frames) > 4 and rng.random() < 0.5:
            frames.pop(next(iter(frames)))
    names = {one.name for one in publisher.known}
    for kept in names:  # each chain with the totals it rests on, as the tables are published
        chain = [one for one in publisher.known if one.name in {kept, "D1 totals", f"D1 by {SCOPE}"}]
        if kept == "D1 by extraction":
            chain = [one for one in chain if one.name != f"D1 by {SCOPE}"]
        assert all(one.low < one.high for one in left_open(chain))


@pytest.mark.parametrize("seed", range(1))
def test_results_over_time_give_no_hidden_count_away(seed: int) -> None:
    check_history(seed)


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(1, 31))
def test_thirty_more_histories_give_no_hidden_count_away(seed: int) -> None:
    check_history(seed)


def test_breakdowns_by_two_variables_and_the_totals_are_safe_together() -> None:
    """The argument that breakdowns need not be checked against each other, put to the solver on a small group."""
    agreed = replace(agreement(groupings=("extraction", "sex"), variables=("sex", "extraction")), k=2, l=1)
    rng = np.random.default_rng(7)
    hidden = 0
    for _ in range(3):
        publisher = Publisher(agreed.pooled_policy)
        given = members([cohort(rng, 70, agreed, share=0.12) for _ in range(3)], agreed, level="cases")
        let_out(given, publisher, agreed)
        found = attack(publisher.made)
        hidden += len(found)
        assert all(one.low < one.high for one in found)
    assert hidden > 0


def test_counts_are_checked_against_earlier_sums() -> None:
    """Two adverse cases more than in a sum of the same practices are not told by subtracting."""
    agreed = agreement(groupings=("extraction",), level="sums")
    teeth = agreed.hierarchy("extraction").base

    def of_each(*adverse: int) -> list[GroupCases]:
        return [counted(x, 70, agreed, extraction=teeth[i % 2]) for i, x in enumerate(adverse)]

    def later_total(publisher: Publisher) -> str | None:
        later = replace(agreed, level="cases", k=2, l=1)
        given = members(of_each(22, 18, 22, 19, 15), later, level="cases")
        found = pooled_result(given, later, publisher=publisher, salt="s", number=2, made_on="2026-03-01")
        return dict(found.shares[0].totals).get("adverse")

    tables = [vector_of(one.frame, agreed) for one in of_each(20, 18, 22, 19, 15)]
    sums = summed(np.sum(tables, axis=0, dtype=np.uint64), agreed, practices=5, round_="r")
    of = SummedRound(number=1, digest="r", answers={f"P-{i:03}": "d" for i in range(5)})
    publisher = Publisher(agreed.pooled_policy)
    first = pooled_sums(sums, agreed, publisher=publisher, salt="s", number=1, made_on="2026-02-01", of=of)
    assert dict(first.shares[0].totals)["adverse"] == "94"
    assert later_total(Publisher(agreed.pooled_policy)) == "96"
    kept = publisher_from([ledger_entry(publisher)], agreed.pooled_policy)
    assert later_total(kept) != "96"


def test_one_practice_with_corrected_counts_hides_no_line_of_the_others() -> None:
    """Adverse cases that turned out not to be contradict that a renewed contribution holds its earlier cases."""
    first = [(30, 60), (25, 75), (40, 80), (35, 65), (28, 72), (33, 77)]
    renewed = [(15, 85), *((x + 10, others + 20) for x, others in first[1:])]

    def given(counts: list[tuple[int, int]], year: int) -> list[Member]:
        teeth = PLAIN.hierarchy("extraction").base
        each = [counted(x, others, PLAIN, extraction=teeth[i % 2]) for i, (x, others) in enumerate(counts)]
        made = [hand_over(one, PLAIN, level="cases") for one in each]
        before = [(f"{i}-1",) if year == 2 else () for i in range(len(made))]
        return [member(one, f"{i}", id_=f"{i}-{year}", replaces=before[i]) for i, one in enumerate(made)]

    publisher = Publisher(PLAIN.pooled_policy)
    pooled(given(first, 1), publisher)
    lines = pooled(given(renewed, 2), publisher).shares[0].lines
    assert sorted(int(one.adverse) for one in lines if one.adverse.isdigit()) == sorted(x for x, _ in renewed)
