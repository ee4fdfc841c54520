"""What each reader can work out who adds what he holds: members, readers of manifests, and of two definitions.

Random groups and practices (fixed seeds), attacked with a mixed-integer solver of the tests' own; nothing of the engine
is used but the words shown. The quick part runs always, the whole with the slow suite; totals are printed there.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import polars as pl
import pytest
from scipy.optimize import Bounds, LinearConstraint, milp

from tests.study_group import agreement, as_cases, counted, members
from tests.warehouse.disclosure.attacker import Attack
from warehouse.outcomes.registry import shipped_registry
from warehouse.pooled.cases import GroupCases, result_column
from warehouse.pooled.handing_over import hand_over
from warehouse.pooled.publishing import Publisher, published_practices
from warehouse.pooled.tables import SCOPE, result_variable
from warehouse.pooled.variables import ADVERSE, NOT_ADVERSE, NOT_DUE, NOT_KNOWN

PLAIN = agreement(groupings=("extraction",), k=2, l=1)
COUNTS = agreement(level="counts", groupings=("sex",), variables=("sex",))
TWO = replace(
    COUNTS,
    outcomes=("D1", "D3"),
    definitions=(shipped_registry().get("D1"), shipped_registry().get("D3")),
)
"""Two outcomes; which of the shipped definitions stand behind them does not matter to counts."""


def ends(shown: str, top: int) -> tuple[int, int]:
    """What a word or number says of a count."""
    if shown == "withheld":
        return 1, top
    return (1, int(shown.split()[-1]) - 1) if shown.startswith("fewer") else (int(shown), int(shown))


def check_members(seed: int) -> tuple[int, int]:
    """Every member adds his own two counts to the lines and the totals; hidden counts attacked, and pinned ones."""
    rng = np.random.default_rng(seed)
    sizes = [int(one) for one in rng.choice([7, 12, 25, 60, 110, 240, 400], int(rng.integers(3, 9)))]
    truth = [(int(rng.binomial(n, rng.uniform(0.01, 0.2))), n) for n in sizes]
    given = members([counted(x, n - x, PLAIN) for x, n in truth], PLAIN, level="cases")
    practices, totals, _ = published_practices(given, PLAIN, "D1", Publisher(PLAIN.pooled_policy))
    lines = {one.pseudonym: one for one in practices}
    if totals is None or totals.refused:
        return 0, 0
    size, top = len(given), sum(n for _, n in truth)
    rows, low, high = [], [], []

    def says(row: np.ndarray, bounds: tuple[int, int]) -> None:
        rows.append(row)
        low.append(bounds[0])
        high.append(bounds[1])

    # adverse of each, then the others of each
    unit = np.eye(2 * size)
    for i, one in enumerate(given):
        line = lines.get(one.pseudonym)
        if line is not None:
            says(unit[i], ends(line.adverse_shown, top))
            says(unit[i] + unit[size + i], ends(line.counted_shown, top))
    for name, row in (("adverse", unit[:size].sum(0)), ("counted", unit.sum(0)), ("not adverse", unit[size:].sum(0))):
        says(row, ends(totals.cells[name,].shown, top))
    attacked = pinned = 0
    for reader in range(size):
        own = [*rows, unit[reader], unit[size + reader]]
        x, n = truth[reader]
        sums = LinearConstraint(np.array(own), [*low, x, n - x], [*high, x, n - x])
        for i in [i for i in range(size) if i != reader]:
            line = lines.get(given[i].pseudonym)
            if line is not None and line.adverse_shown.isdigit():
                continue
            found = [
                milp(sign * unit[i], integrality=np.ones(2 * size), bounds=Bounds(0, top), constraints=sums)
                for sign in (1, -1)
            ]
            assert all(one.status == 0 for one in found)
            least, most = round(found[0].fun), round(-found[1].fun)
            attacked += 1
            pinned += least == most
            if line is not None and line.adverse_shown.startswith("fewer"):
                pinned += least > 1 or most < PLAIN.minimum - 1
    return attacked, pinned


def drawn(rng: np.random.Generator, outcomes: tuple[str, ...]) -> GroupCases:
    """A practice with small losses. Of two outcomes the second is the first, but for a few cases called adverse."""
    n = int(rng.integers(20, 300))
    chances = [0.12, 0.83 - (few := rng.uniform(0.005, 0.04)) * 2, few + 0.05, few]
    first = rng.choice([ADVERSE, NOT_ADVERSE, NOT_KNOWN, NOT_DUE], n, p=chances).tolist()
    columns = {"sex": rng.choice(["F", "M"], n).tolist(), result_column(outcomes[0]): first}
    if len(outcomes) == 2:
        left = int(rng.integers(0, 9))
        second = []
        for one in first:
            turned = one == ADVERSE and left > 0
            left -= turned
            second.append(NOT_ADVERSE if turned else one)
        columns[result_column(outcomes[1])] = second
    return as_cases(pl.DataFrame(columns), COUNTS if len(outcomes) == 1 else TWO)


def check_manifest(seed: int) -> tuple[int, int]:
    """The number of cases that a file says of itself, beside its tables."""
    made = hand_over(drawn(np.random.default_rng(seed), ("D1",)), COUNTS, level="counts")
    if made.refused or not made.tables:
        return 0, 0
    scope = {SCOPE: frozenset(made.tables[0].layout.scope[SCOPE])}
    besides = [] if made.n_cases is None else [(scope, made.n_cases)]
    found = Attack(made.tables, besides).left_open()
    return len(found), sum(one.recovered for one in found)


def check_definitions(seed: int) -> tuple[int, int]:
    """Both definitions' tables, for one who knows that the second implies the first."""
    made = hand_over(drawn(np.random.default_rng(seed), ("D1", "D3")), TWO, level="counts")
    if made.refused or not made.tables:
        return 0, 0
    first, second = result_variable("D1"), result_variable("D3")
    besides = [
        ({first: frozenset({other}), second: frozenset({ADVERSE})}, 0) for other in (NOT_ADVERSE, NOT_KNOWN, NOT_DUE)
    ]
    besides += [
        ({first: frozenset({one}), second: frozenset({other})}, 0)
        for one in (NOT_KNOWN, NOT_DUE)
        for other in (NOT_ADVERSE, NOT_KNOWN, NOT_DUE)
        if one != other
    ]
    named = {one.name.split()[0] for one in made.tables}
    attack = Attack(made.tables, besides if len(named) == 2 else ())
    found = [*attack.hidden()]
    if len(named) == 2:
        between = {first: frozenset({ADVERSE}), second: frozenset({NOT_ADVERSE})}
        one = attack.range(attack.row(between), "between", (), "between")
        if one.low == one.high and 0 < one.low < COUNTS.minimum:
            return len(found) + 1, 1 + sum(one.recovered for one in found)
    return len(found), sum(one.recovered for one in found)


CHECKS: dict[str, tuple[Callable[[int], tuple[int, int]], int]] = {
    "members of a group": (check_members, 500),
    "manifests": (check_manifest, 300),
    "pairs of definitions": (check_definitions, 200),
}


@pytest.mark.parametrize("name", CHECKS)
def test_no_count_is_pinned_in_a_few(name: str) -> None:
    check, _ = CHECKS[name]
    found = [check(seed) for seed in range(12)]
    assert sum(attacked for attacked, _ in found) > 5
    assert sum(pinned for _, pinned in found) == 0


@pytest.mark.slow
@pytest.mark.parametrize("name", CHECKS)
def test_no_count_is_pinned_in_many(
    name: str, count: Callable[[str, str, int], None], capsys: pytest.CaptureFixture[str]
) -> None:
    check, n = CHECKS[name]
    found = [check(seed) for seed in range(100, 100 + n)]
    hidden, pinned = (sum(column) for column in zip(*found, strict=True))
    with capsys.disabled():
        print(f"\n{name}: {n} attacked, {hidden} hidden counts, {pinned} pinned")
    count("counts attacked", f"{n} {name}", hidden)
    assert pinned == 0
