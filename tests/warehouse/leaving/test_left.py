"""What leaves one after the other, attacked together by the tests' own solver: reports a month apart, and pages.

Random practices (fixed seeds), loaded by the loader. The quick part runs always, the whole with the slow suite; totals
are printed there.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from types import MappingProxyType
from typing import Any

import numpy as np
import pytest

from dashboard.report.findings import findings
from dashboard.report.write import write_report
from tests.hand_made import load_rows, made_case
from tests.study_group import agreement
from tests.warehouse.disclosure.attacker import Attack, CellRange
from warehouse.disclosure import Dimension, Layout, Policy, Release
from warehouse.disclosure.published import HIDDEN, Count, make_cell
from warehouse.errors import BusyError, MentonError, RequestError
from warehouse.leaving import record
from warehouse.leaving.gate import let_out
from warehouse.leaving.record import FEWEST_NEW, check_beside, documents, lines_left, seen_by_others, strike
from warehouse.marts.reader import Reader
from warehouse.protected.counts import REACHED

BY = ("appliance_category", "extraction")
MONTHS = 9
AT_ONCE = 12
"""Counts of each kind that are attacked in one set of tables."""


def case(rng: np.random.Generator, name: str) -> dict[str, Any]:
    """A case with any of the ends it can have, most of them read."""
    ended = rng.choice(["finished", "moved_away", "in_treatment"], p=[0.9, 0.06, 0.04])
    row = made_case(
        name,
        status=str(ended),
        sex=str(rng.choice(["female", "male"])),
        appliance=str(rng.choice(["fixed_labial", "clear_aligner", "facemask"], p=[0.6, 0.3, 0.1])),
        age_at_start=float(rng.integers(9, 15)),
        extracted_teeth=str(rng.choice(["none", "14 24"], p=[0.7, 0.3])),
        sn_gogn_deg_start=32.0,
    )
    if ended == "finished" and rng.random() < 0.95:
        row["sn_gogn_deg_finish"] = 32.0 + float(rng.choice([0.0, -3.0, 2.2, 4.0], p=[0.6, 0.1, 0.15, 0.15]))
    return row


def practice(folder: Path, seed: int, *, n: int | None = None, new: int | None = None) -> Callable[[], None]:
    """A warehouse with a month's cases; what is given back loads the next month's, which correct some of before."""
    rng = np.random.default_rng(seed)
    first = [case(rng, f"{seed}-{i}") for i in range(n or int(rng.integers(40, 200)))]
    corrected = int(rng.integers(0, 3)) if new is None else 0
    second = [case(rng, f"{seed}-{i}") for i in range(corrected)]
    second += [case(rng, f"{seed}-new-{i}") for i in range(int(rng.integers(FEWEST_NEW, 35)) if new is None else new)]
    load_rows(folder, first)
    return lambda: load_rows(folder, second, source="next.csv")


def hand_round(folder: Path, **choices: Any) -> None:
    with Reader.open(folder) as reader:
        let_out(b"", findings(reader, audience="outside", **{"comparisons": BY, **choices}).leave)


def left(folder: Path) -> list[tuple[Release, ...]]:
    """The tables of each document on record, without what the engine noted of them."""
    return [tuple(replace(one, guards=()) for one in each.left.releases) for each in documents(folder)]


def together(each: Sequence[tuple[Release, ...]], cases: Sequence[tuple[str, ...]], name: str) -> list[Release]:
    """Tables about all cases and by one grouping, over cases named by the test and classes that mean one thing."""
    meaning: dict[str, dict[str, None]] = {}
    kept = [(one, about) for tables, about in zip(each, cases, strict=True) for one in tables]
    kept = [
        (one, about) for one, about in kept if one.name.partition(" ")[2] in {"all cases", name, f"{name}, complete"}
    ]
    for one, _ in kept:
        for dimension in one.layout.dimensions:
            for category, atoms in dimension.members.items() if dimension.name == REACHED else ():
                if not category.startswith("other reasons"):
                    meaning.setdefault(category, {}).update(dict.fromkeys(atoms))
    found = []
    for one, about in kept:
        dimensions = tuple(
            replace(d, members={c: tuple(meaning.get(c, atoms)) for c, atoms in d.members.items()})
            if d.name == REACHED
            else d
            for d in one.layout.dimensions
        )
        found.append(replace(one, layout=Layout(dimensions, MappingProxyType({"cases": about}))))
    return found


def attacked(releases: Sequence[Release], rng: np.random.Generator, most: int) -> tuple[int, int]:
    """How many counts were attacked, and how many of them are pinned: ``most`` hidden cells, and as many changes.

    A change is how many cases came to, or went from, a cell that two documents show.
    """
    attack = Attack(releases)
    hidden = [
        (releases[: i + 1], (attack.row(_sets(one, key)), one.name, key, cell.shown))
        for i, one in enumerate(releases)
        for key, cell in one.cells.items()
        if cell.state != "shown"
    ]
    changed = []
    for i, one in enumerate(releases):
        for other in releases[i + 1 :]:
            for key in sorted(one.cells.keys() & other.cells.keys()) if one.name == other.name else ():
                before, after = (attack.row(_sets(each, key)) for each in (one, other))
                for some in (after > before, before > after):
                    row = np.where(some, 1.0, 0.0)
                    changed += [(releases[:0], (row, one.name, key, "changed"))] if some.any() else []
    picked = [each[i] for each in (hidden, changed) for i in rng.permutation(len(each))[:most].tolist()]
    return len(picked), sum(is_pinned(attack.range(*one), then) for then, one in picked)


def is_pinned(found: CellRange, then: Sequence[Release], minimum: int = 5) -> bool:
    """Whether a range leaves one count where it is hidden, or one of 1 to 4 cases that came since.

    Of "fewer than 5" all four are to be left, or as many as its own table, the last of ``then``, would leave if every
    other count of it were withheld: where the total was told before and the others are at least 5, that is the most
    any table can leave, and the rule asks for two.
    """
    if found.low == found.high:
        return found.label != "changed" or 0 < found.low < minimum
    if not found.label.startswith("fewer") or (found.low <= 1 and found.high >= minimum - 1):
        return False
    *before, own = then
    cells = {key: HIDDEN if (cell.value or 0) >= minimum else cell for key, cell in own.cells.items()}
    least = Attack([*before, replace(own, cells=cells)])
    most = least.range(least.row(_sets(own, found.key)), found.table, found.key, found.label)
    return found.low > most.low or found.high < most.high


def _sets(release: Release, key: tuple[str, ...]) -> dict[str, frozenset[str]]:
    from tests.warehouse.disclosure.attacker import _sets as sets

    return sets(release.layout, key)


def check_reports(folder: Path, seed: int) -> tuple[int, int]:
    """Two reports a month apart."""
    month = practice(folder, seed)
    hand_round(folder)
    month()
    try:
        hand_round(folder)
    except RequestError:  # it waits
        return 0, 0
    rng = np.random.default_rng(seed)
    cases = [("kept", "old"), ("kept", "new")]
    found = [attacked(together(left(folder), cases, name), rng, AT_ONCE) for name in BY]
    return sum(n for n, _ in found), sum(wrong for _, wrong in found)


def check_viewer(folder: Path, seed: int) -> tuple[int, int]:
    """A viewer of pages who looks at every grouping, before and after a load."""
    month = practice(folder, seed, n=int(np.random.default_rng(seed).integers(40, 120)))
    cases = []
    for about in (("kept", "old"), ("kept", "new")):
        for by in (None, *BY):
            with Reader.open(folder) as reader:
                try:
                    seen_by_others(reader, by=by)
                except RequestError:
                    continue
            cases += [about] * (len(documents(folder)) - len(cases))
        month()
        month = lambda: None  # noqa: E731
    rng = np.random.default_rng(seed)
    found = [attacked(together(left(folder), cases, name), rng, AT_ONCE) for name in BY]
    return sum(n for n, _ in found), sum(wrong for _, wrong in found)


def check_years(folder: Path, seed: int) -> tuple[int, int]:
    """Reports month after month, attacked by a reader who has them all and knows how long each reading stood."""
    rng = np.random.default_rng(seed)
    names = [f"{seed}-{i}" for i in range(int(rng.integers(40, 120)))]
    load_rows(folder, [case(rng, name) for name in names])
    for month in range(MONTHS):
        with suppress(RequestError):
            hand_round(folder)
        again = [names[i] for i in rng.permutation(len(names))[: int(rng.integers(0, 4))]]
        new = [f"{seed}-{month}-{i}" for i in range(int(rng.integers(6, 25)))]
        load_rows(folder, [case(rng, name) for name in [*again, *new]], source=f"{month}.csv")
        names += new
    versions = [frozenset(one.left.versions["D1"].items()) for one in documents(folder)]
    marks = {"".join("01"[one in each] for each in versions) for one in frozenset().union(*versions)}
    cases = [tuple(sorted(mark for mark in marks if mark[i] == "1")) for i in range(len(versions))]
    found = [attacked(together(left(folder), cases, name), rng, AT_ONCE) for name in BY]
    return sum(n for n, _ in found), sum(wrong for _, wrong in found)


CHECKS: dict[str, tuple[Callable[[Path, int], tuple[int, int]], int]] = {
    "pairs of reports a month apart": (check_reports, 100),
    "viewers of pages": (check_viewer, 200),
    "years of reports, nine in a row": (check_years, 20),
}


def release(name: str, **cells: Count) -> Release:
    members = {"a": ("a",), "b": ("b",), "both": ("a", "b")}
    layout = Layout((Dimension("group", MappingProxyType({one: members[one] for one in cells})),))
    return Release(name, layout, Policy(), MappingProxyType({(one,): cell for one, cell in cells.items()}), 5)


def test_a_range_is_too_narrow_where_withholding_more_would_have_widened_it() -> None:
    small, seven = (make_cell("small", None, Policy()), make_cell("shown", 7, Policy()))
    told = release("before", both=seven)
    for tables, low, high, wrong in (
        ([release("now", a=small, b=small, both=seven)], 3, 4, True),  # the total could have been withheld
        ([told, release("now", a=small, b=HIDDEN, both=seven)], 1, 2, False),  # it was told before
        ([told, release("now", a=small, b=make_cell("shown", 5, Policy()), both=seven)], 2, 2, True),
    ):
        attack = Attack(tables)
        found = attack.range(attack.row({"group": frozenset({"a"})}), "now", ("a",), small.shown)
        assert (found.low, found.high) == (low, high)
        assert is_pinned(found, tables) == wrong


@pytest.mark.parametrize("name", CHECKS)
def test_no_count_is_pinned_in_a_few(name: str, tmp_path: Path) -> None:
    check, _ = CHECKS[name]
    found = [check(tmp_path / str(seed), seed) for seed in range(1)]
    assert sum(n for n, _ in found) > 20
    assert sum(wrong for _, wrong in found) == 0


@pytest.mark.slow
@pytest.mark.parametrize("name", CHECKS)
def test_no_count_is_pinned_in_many(
    name: str, tmp_path: Path, count: Callable[[str, str, int], None], capsys: pytest.CaptureFixture[str]
) -> None:
    check, n = CHECKS[name]
    found = [check(tmp_path / str(seed), seed) for seed in range(100, 100 + n)]
    counts, wrong = (sum(column) for column in zip(*found, strict=True))
    with capsys.disabled():
        print(f"\n{name}: {n} attacked, {counts} counts, {wrong} pinned")
    count("counts attacked", f"{n} {name}", counts)
    assert wrong == 0


def test_one_new_case_makes_the_next_report_wait(tmp_path: Path) -> None:
    month = practice(tmp_path / "w", 3, n=80, new=1)
    hand_round(tmp_path / "w")
    month()
    with pytest.raises(RequestError, match="only 1 case is new") as refused:
        hand_round(tmp_path / "w")
    assert f"when there are {FEWEST_NEW}" in refused.value.remedy
    with Reader.open(tmp_path / "w") as reader:
        assert findings(reader, audience="practice").leave.read_by == "the practice"
    assert [one.struck for one in documents(tmp_path / "w")] == [False]


def test_what_left_long_ago_is_looked_back_at(tmp_path: Path) -> None:
    """Twelve readings corrected again and again, then as they were at first, with one case more."""

    def read_as(change: float) -> list[dict[str, Any]]:
        return [made_case(f"c{i}", sn_gogn_deg_start=32.0, sn_gogn_deg_finish=32.0 + change) for i in range(12)]

    others = [made_case(f"o{i}", sn_gogn_deg_start=32.0, sn_gogn_deg_finish=32.0 + 4.0 * (i < 20)) for i in range(60)]
    load_rows(tmp_path / "w", [*read_as(0.0), *others])
    for month in range(1, 9):
        with Reader.open(tmp_path / "w") as reader:
            seen_by_others(reader)
        one_more = [made_case("last", sn_gogn_deg_start=32.0, sn_gogn_deg_finish=36.0)] if month == 8 else []
        load_rows(tmp_path / "w", [*read_as(0.2 * (month % 8)), *one_more], source=f"{month}.csv")
    assert len(documents(tmp_path / "w")) == 8
    with Reader.open(tmp_path / "w") as reader, pytest.raises(RequestError, match="only 1 case is new"):
        seen_by_others(reader)


def test_other_definitions_that_differ_by_few_are_not_rounded_again_from_other_cases(tmp_path: Path) -> None:
    """Two roundings of counts that differ by the same few would tell how few."""
    rises = [4.0] * 20 + [1.8] * 3 + [0.0] * 77
    rows = [made_case(f"c{i}", sn_gogn_deg_start=32.0, sn_gogn_deg_finish=32.0 + one) for i, one in enumerate(rises)]
    shown = []
    for n in (100 - FEWEST_NEW, 100):
        load_rows(tmp_path / "w", rows[:n], source=f"{n}.csv")
        with Reader.open(tmp_path / "w") as reader:
            whole, made = (findings(reader, audience=who) for who in ("practice", "outside"))
            let_out(b"", made.leave)
        exact = {one.id: row for one, row in (*whole.family, *whole.secondary)}
        kept = [whole.overall]
        for definition, row in (*made.family, *made.secondary):
            if row.counted.value is None:
                continue
            assert abs(row.counted.value - exact[definition.id].counted.n) < 5
            kept.append(exact[definition.id])
        few = [
            n
            for i, one in enumerate(kept)
            for other in kept[i + 1 :]
            for n in (other.counted.n - one.counted.n, other.adverse.n - one.adverse.n)
            if 0 < abs(n) < 5
        ]
        shown.append((len(kept), len(few)))
    assert shown[0][1] > 0
    assert shown[1][1] == 0
    assert shown[0][0] > shown[1][0] > 1


def test_what_was_never_sent_is_struck_and_counts_no_longer(tmp_path: Path) -> None:
    month = practice(tmp_path / "w", 3, n=80, new=1)
    hand_round(tmp_path / "w")
    strike(tmp_path / "w", 1)
    month()
    hand_round(tmp_path / "w")
    assert [one.struck for one in documents(tmp_path / "w")] == [True, False]
    with pytest.raises(RequestError, match="no document 1"):
        strike(tmp_path / "w", 1)


def test_a_line_between_looking_and_writing_is_noticed_a_strike_too(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    month = practice(tmp_path / "w", 3, n=80, new=FEWEST_NEW)
    hand_round(tmp_path / "w")
    n = lines_left(tmp_path / "w")
    month()
    past_of = record.past_of

    def strike_meanwhile(*given: Any) -> Any:
        monkeypatch.undo()
        strike(tmp_path / "w", 1)
        return past_of(*given)

    monkeypatch.setattr(record, "past_of", strike_meanwhile)
    with pytest.raises(BusyError, match="something else left"):
        hand_round(tmp_path / "w")
    assert lines_left(tmp_path / "w") == n + 1


def test_the_same_build_gives_the_same_figures_and_one_line(tmp_path: Path) -> None:
    practice(tmp_path / "w", 4, n=90)
    for name in ("one.md", "two.xlsx", "three.md"):
        write_report(tmp_path / "w", tmp_path / name, comparisons=BY, audience="outside", practices=False)
    assert (tmp_path / "one.md").read_bytes() == (tmp_path / "three.md").read_bytes()
    assert len(left(tmp_path / "w")) == 1


def test_a_definition_within_another_does_not_leave_beside_it(tmp_path: Path) -> None:
    """Cases that one definition calls adverse and another does not are a small count."""
    rows = [
        made_case(
            f"c{i}", sn_gogn_deg_start=32.0, sn_gogn_deg_finish=32.0 + (4.0 if i < 20 else 1.8 if i < 23 else 0.0)
        )
        for i in range(90)
    ]
    load_rows(tmp_path / "w", rows)
    hand_round(tmp_path / "w")
    refused = []
    with Reader.open(tmp_path / "w") as reader:
        headline = reader.definition(None).id
        others = [one.id for one in reader.registry if one.id != headline]
    for other in others:
        try:
            hand_round(tmp_path / "w", definition=other)
        except RequestError as error:
            refused.append(error.found)
    assert refused
    assert all("this would tell of fewer than 5 cases" in found for found in refused)


@pytest.mark.parametrize(("between", "told"), [(3, "fewer than 5 cases"), (0, "only 1 case is new|fewer than 5 cases")])
def test_a_contribution_meets_documents_under_definitions_not_agreed_on(
    tmp_path: Path, between: int, told: str
) -> None:
    """Three cases lie between the document's definition and the group's; or one case is new since it left."""
    changes = [*[6.0] * 20, *[1.8] * between, *[0.0] * (70 - between)]
    rows = [
        made_case(f"c{i}", sn_gogn_deg_start=32.0, sn_gogn_deg_finish=32.0 + change) for i, change in enumerate(changes)
    ]
    agreed, folder = agreement(groupings=("age_band",)), tmp_path / "w"
    load_rows(folder, rows[:89])
    with Reader.open(folder) as reader:
        practice = reader.practices[0]
        check_beside(reader, agreed, practice)  # nothing left yet
    hand_round(folder, definition="D2")
    if not between:
        with Reader.open(folder) as reader:
            check_beside(reader, agreed, practice)
        load_rows(folder, rows[89:], source="one.csv")
    with Reader.open(folder) as reader, pytest.raises(RequestError, match=told) as caught:
        check_beside(reader, agreed, practice)
    assert "--never-sent" in (caught.value.remedy or "")


def test_a_definition_that_counts_alike_waits_for_new_cases_too(tmp_path: Path) -> None:
    """The share under one definition, and a month later under another that calls the same cases adverse, one more."""
    rows = [
        made_case(f"c{i}", sn_gogn_deg_start=32.0, sn_gogn_deg_finish=32.0 + (6.0 if i < 20 else 0.0))
        for i in range(90)
    ]
    load_rows(tmp_path / "w", rows[:89])
    hand_round(tmp_path / "w")
    with Reader.open(tmp_path / "w") as reader:
        headline, others = reader.definition(None).id, []
        for other in (one.id for one in reader.registry if one.id != reader.definition(None).id):
            try:
                others.append((other, findings(reader, audience="outside", comparisons=BY, definition=other)))
            except RequestError:
                continue
    assert headline
    assert others
    load_rows(tmp_path / "w", rows[89:], source="one.csv")
    for other, _ in others:
        with pytest.raises(RequestError, match=r"only 1 case is new|this would tell of fewer than 5 cases"):
            hand_round(tmp_path / "w", definition=other)


def test_a_record_that_cannot_be_written_lets_nothing_out(tmp_path: Path) -> None:
    practice(tmp_path / "w", 5, n=60)
    (tmp_path / "w" / "documents.jsonl").mkdir()
    with pytest.raises(MentonError, match="not a regular file"):
        write_report(tmp_path / "w", tmp_path / "out.md", audience="outside")
    assert not (tmp_path / "out.md").exists()
