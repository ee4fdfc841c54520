"""Successive tables: what one alone does not give away, two together must not either."""

from __future__ import annotations

from importlib import import_module
from itertools import count
from types import MappingProxyType

import numpy as np
import polars as pl
import pytest

from tests.warehouse.disclosure.attacker import attack, attack_guarded, left_open, table_of_rows, table_of_shares
from warehouse.disclosure import Dimension, Layout, Policy, Release, Table, protect
from warehouse.disclosure import space as space_module
from warehouse.errors import BadFileError, RequestError

SEX = Dimension.of("sex", ["F", "M"])
WHOLE = Layout(())
search_module = import_module("warehouse.disclosure.protect")  # the package gives the function of that name


def by_sex(f: int, m: int, *, name: str = "sexes", scope: dict[str, tuple[str, ...]] | None = None) -> Table:
    return Table(name, Layout((SEX,), scope or {}), {("F",): f, ("M",): m})


def ages(*members: tuple[str, tuple[str, ...]]) -> Layout:
    return Layout((Dimension("age", MappingProxyType(dict(members))),))


def test_a_later_total_that_differs_by_a_few_cases_is_withheld() -> None:
    """40 cases in 2024, 43 a year later: the 3 that came in between are a count of 3."""
    first = protect(Table("2024", Layout((), {"loaded": ("2024",)}), {(): 40}))
    later = Table("2025", Layout((), {"loaded": ("2024", "2025")}), {(): 43})
    assert first.cell().shown == "40"
    second = protect(later, earlier=[first.release])
    assert second.cell().shown == "withheld"
    assert protect(later).cell().shown == "43"


def test_a_later_total_that_differs_by_many_cases_is_shown() -> None:
    first = protect(Table("2024", Layout((), {"loaded": ("2024",)}), {(): 40}))
    second = protect(Table("2025", Layout((), {"loaded": ("2024", "2025")}), {(): 55}), earlier=[first.release])
    assert second.cell().shown == "55"


def test_the_same_breakdown_a_year_later_gives_no_small_difference_away() -> None:
    first = protect(by_sex(20, 30, scope={"loaded": ("2024",)}))
    second = protect(by_sex(22, 40, scope={"loaded": ("2024", "2025")}), earlier=[first.release])
    assert second.cell("F").value is None
    assert second.cell("M").value is None
    assert second.cell("all").value == 62
    assert all(one.low < one.high for one in attack([first.release, second.release]))


def test_a_filter_that_leaves_out_a_few_cases_is_caught() -> None:
    """All cases, then consecutive cases only: the selected ones are the difference."""
    first = protect(Table("all", WHOLE, {(): 60}))
    second = protect(
        Table("consecutive", Layout((), {"selection": ("consecutive",)}), {(): 58}), earlier=[first.release]
    )
    assert second.cell().shown == "withheld"


def test_other_age_bands_are_compared_by_the_ages_they_share() -> None:
    """Bands 8-9 and 10-11, then 8-10: the difference is the ten-year-olds."""
    bands = ages(("8-9", ("8", "9")), ("10-11", ("10", "11")))
    first = protect(Table("bands", bands, {("8",): 10, ("9",): 10, ("10",): 3, ("11",): 20}))
    assert first.cell("8-9").shown == "20"
    other = ages(("8-10", ("8", "9", "10")), ("11", ("11",)))
    second = protect(Table("others", other, {("8",): 10, ("9",): 10, ("10",): 3, ("11",): 20}), earlier=[first.release])
    assert second.cell("8-10").value is None
    assert second.cell("11").value is None


def test_a_total_published_elsewhere_unmasks_nothing() -> None:
    """Sex alone hid the girls behind a withheld total; a second table must not print that total."""
    first = protect(by_sex(3, 4))
    assert [cell.shown for cell in first.cells.values()] == ["fewer than 5", "fewer than 5", "withheld"] or (
        first.cell("all").value == 7
    )
    second = protect(Table("total", WHOLE, {(): 7}), earlier=[first.release])
    assert all(one.low < one.high for one in attack([first.release, second.release]))


def test_a_new_breakdown_is_suppressed_further_because_of_an_old_one() -> None:
    """3, 12 and 25 of 40, with the 12 withheld; printing the 12 in another table would give the 3 away."""
    site = Dimension.of("site", ["a", "b", "c"])
    first = protect(Table("sites", Layout((site,)), {("a",): 3, ("b",): 12, ("c",): 25}))
    alone = Table("b only", Layout((SEX,), {"site": ("b",)}), {("F",): 6, ("M",): 6})
    assert protect(alone).cell("all").shown == "12"
    second = protect(alone, earlier=[first.release])
    assert second.cell("all").value is None
    ranges = {(one.table, one.key): (one.low, one.high) for one in attack([first.release, second.release])}
    assert ranges["sites", ("a",)] == (1, 4)


def test_a_complement_hidden_before_stays_hidden() -> None:
    """3 adverse of 40 went out hidden, so the 37 were hidden too; a table of the 37 alone must not print them."""
    site = Dimension.of("site", ["a"], total=None)
    first = protect(table_of_shares(name="shares", dimensions=[site], rows={("a",): (3, 40)}))
    assert [cell.shown for cell in first.cells.values()] == ["fewer than 5", "40"]
    well = Table("well", Layout((), {"count": ("not adverse",)}), {(): 37})
    assert protect(well).cell().shown == "37"
    assert protect(well, earlier=[first.release]).cell().shown == "withheld"


def test_a_small_complement_is_guarded_though_it_was_never_printed() -> None:
    """38 adverse of 40 went out with the 38 withheld; the 38 in another table would give the other 2 away."""
    site = Dimension.of("site", ["a"], total=None)
    first = protect(table_of_shares(name="shares", dimensions=[site], rows={("a",): (38, 40)}))
    assert first.cell("a", "adverse").shown == "withheld"
    adverse = Table("adverse", Layout((SEX,), {"count": ("adverse",)}), {("F",): 20, ("M",): 18})
    assert protect(adverse).cell("all").shown == "38"
    second = protect(adverse, earlier=[first.release])
    assert second.cell("all").value is None
    (complement,) = attack_guarded([first.release])
    assert complement.key == ("count not adverse",)
    assert (complement.low, complement.high) == (0, 35)
    both = attack_guarded([first.release, second.release])
    assert all(one.low <= 1 and one.high >= 4 for one in both)


def test_guards_of_differences_are_kept_too() -> None:
    first = protect(Table("2024", Layout((), {"loaded": ("2024",)}), {(): 40}))
    second = protect(Table("2025", Layout((), {"loaded": ("2024", "2025")}), {(): 43}), earlier=[first.release])
    (added,) = attack_guarded([first.release, second.release])
    assert added.key == ("loaded 2024/2025, without: loaded 2024",)
    assert added.low <= 1 < 4 <= added.high
    third = protect(
        Table("added", Layout((SEX,), {"loaded": ("2025",)}), {("F",): 2, ("M",): 1}),
        earlier=[first.release, Release.from_dict(second.release.to_dict())],
    )
    assert all(one.low < one.high for one in attack_guarded([first.release, second.release, third.release]))


def test_a_cell_withheld_before_keeps_two_values() -> None:
    """The 12 beside the 3 was withheld; nothing later may pin it down, even where the 3 would stay safe."""
    site = Dimension.of("site", ["a", "b", "c", "d"])
    counts = {("a",): 3, ("b",): 12, ("c",): 25, ("d",): 2}
    first = protect(Table("sites", Layout((site,)), counts))
    later = Table("b", Layout((), {"site": ("b",)}), {(): 12})
    releases = [first.release, protect(later, earlier=[first.release]).release]
    assert all(one.low < one.high for one in attack(releases))


def test_publishing_the_same_table_again_changes_nothing() -> None:
    site = Dimension.of("site", ["a", "b", "c"])
    table = Table("sites", Layout((site,)), {("a",): 3, ("b",): 12, ("c",): 25})
    first = protect(table)
    again = protect(table, earlier=[first.release])
    assert again.cells == first.cells


def test_a_table_is_refused_when_its_labels_alone_would_give_an_old_count_away() -> None:
    """A total below 5 is out; four sites that are not 0 would make each of them 1, whatever is withheld."""
    first = protect(Table("total", WHOLE, {(): 4}))
    assert first.cell().shown == "fewer than 5"
    sites = Layout((Dimension.of("site", ["a", "b", "c", "d"], total=None),))
    second = protect(Table("sites", sites, {(one,): 1 for one in "abcd"}), earlier=[first.release])
    assert "give away a small count" in second.refused
    assert {cell.shown for cell in second.cells.values()} == {"withheld"}
    assert "not shown" in second.notes[0]


def test_counts_that_contradict_an_earlier_table_are_refused() -> None:
    first = protect(by_sex(20, 30))
    second = protect(by_sex(20, 31), earlier=[first.release])
    assert "do not fit" in second.refused


def test_a_count_given_away_before_does_not_block_later_tables() -> None:
    """A ledger entry made by hand shows 3 withheld beside 12 and 25 of 40; that harm is done, a new total does none."""
    site = Dimension.of("site", ["a", "b", "c"])
    good = protect(Table("sites", Layout((site,)), {("a",): 3, ("b",): 12, ("c",): 25})).release
    data = good.to_dict()
    data["cells"][1] = [["b"], "shown", 12]
    careless = Release.from_dict(data)
    assert attack([careless])[0].recovered
    assert left_open([careless])[0].recovered
    later = protect(Table("total", WHOLE, {(): 40}), earlier=[careless])
    assert later.cell().shown == "40"


def test_tables_that_contradict_each_other_cannot_be_attacked() -> None:
    first, second = protect(by_sex(20, 3)), protect(by_sex(40, 30))
    with pytest.raises(RequestError, match="No counts fit"):
        attack([first.release, second.release])


def careless_pair() -> Release:
    """A hand-made entry: two cells of at least 5 withheld in a total of 10 can only be 5 each."""
    data = protect(
        Table("sites", Layout((Dimension.of("site", ["a", "b"]),)), {("a",): 5, ("b",): 5})
    ).release.to_dict()
    data["cells"][:2] = [[["a"], "withheld", None], [["b"], "withheld", None]]
    return Release.from_dict(data)


def test_cells_that_were_pinned_before_do_not_block_later_tables() -> None:
    careless = careless_pair()
    assert all(one.recovered for one in attack([careless]))
    assert [(one.low, one.high) for one in left_open([careless])] == [(one.low, one.high) for one in attack([careless])]
    later = protect(by_sex(3, 7), earlier=[careless])
    assert not later.refused
    assert later.cell("F").shown == "fewer than 5"
    assert later.cell("M").value is None


@pytest.mark.parametrize("call", range(1, 9))
def test_what_the_solver_cannot_settle_is_never_shown(call: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """One question after the other goes unanswered: the table is refused, or shows no more than it did."""
    usual = protect(by_sex(3, 7), earlier=[careless_pair()])
    ask, calls = search_module.cheapest, count(1)
    monkeypatch.setattr(search_module, "cheapest", lambda *given: None if next(calls) == call else ask(*given))
    found = protect(by_sex(3, 7), earlier=[careless_pair()])
    hidden = {key for key, cell in usual.cells.items() if cell.state != "shown"}
    assert hidden <= {key for key, cell in found.cells.items() if cell.state != "shown"}


def test_too_many_combined_variables_are_refused_rather_than_left_unchecked(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(space_module, "MOST_ATOMS", 3)
    first = protect(by_sex(20, 30))
    site = Layout((Dimension.of("site", ["a", "b"]),))
    second = protect(Table("sites", site, {("a",): 25, ("b",): 25}), earlier=[first.release])
    assert "combine into 4 finest cells" in second.refused


def test_incomplete_dimensions_leave_room_for_other_values() -> None:
    """Without "other" in the first table its two rows need not add up to everybody."""
    part = Dimension("sex", MappingProxyType({"F": ("F",), "M": ("M",)}), complete=False)
    first = protect(Table("two sexes", Layout((part,)), {("F",): 20, ("M",): 30}))
    second = protect(Table("all", WHOLE, {(): 53}), earlier=[first.release])
    assert second.cell().value is None
    third = protect(Table("all", WHOLE, {(): 60}), earlier=[first.release])
    assert third.cell().value == 60


def test_rounded_tables_take_part_with_the_range_they_allow() -> None:
    policy = Policy(minimum=8, round_to=5)
    first = protect(by_sex(20, 31), policy)
    assert first.cell("M").shown == "30"
    second = protect(by_sex(20, 31), policy, earlier=[first.release])
    assert second.cells == first.cells


@pytest.mark.parametrize("seed", range(6))
def test_chains_of_random_tables_give_no_hidden_cell_away(seed: int) -> None:
    rng = np.random.default_rng(seed)
    n = int(rng.integers(40, 200))
    frame = pl.DataFrame(
        {
            "age": rng.choice(["8", "9", "10", "11"], n),
            "sex": rng.choice(["F", "M"], n, p=[0.6, 0.4]),
            "loaded": rng.choice(["2024", "2025"], n, p=[0.95, 0.05]),
        }
    )
    old = frame.filter(pl.col("loaded") == "2024")
    total = ("all", ("8", "9", "10", "11"))
    pairs = Dimension("age", MappingProxyType(dict([("8-9", ("8", "9")), ("10-11", ("10", "11")), total])))
    uneven = Dimension("age", MappingProxyType(dict([("8-10", ("8", "9", "10")), ("11", ("11",)), total])))
    plans = [(old, [pairs, SEX], ("2024",)), (old, [uneven], ("2024",)), (frame, [pairs, SEX], ("2024", "2025"))]
    releases: list[Release] = []
    truth: dict[str, Table] = {}
    for i, (rows, dimensions, loaded) in enumerate(plans):
        table = table_of_rows(rows, name=f"t{i}", dimensions=dimensions, scope={"loaded": loaded})
        protected = protect(table, earlier=releases)
        if not protected.refused:
            releases.append(protected.release)
            truth[f"t{i}"] = table
    for one in attack(releases):
        assert one.low < one.high
        assert one.low <= truth[one.table].cell(one.key) <= one.high


def test_a_release_survives_its_ledger_and_holds_no_hidden_count() -> None:
    release = protect(by_sex(3, 30, scope={"loaded": ("2024",)}), Policy(minimum=4)).release
    back = Release.from_dict(release.to_dict())
    assert back == release
    hidden = [cell for cell in release.to_dict()["cells"] if cell[1] != "shown"]
    assert hidden
    assert all(value is None for _, _, value in hidden)


@pytest.mark.parametrize(
    "spoil",
    [
        lambda data: data.pop("cells"),
        lambda data: data["cells"].pop(),
        lambda data: data["cells"].__setitem__(0, [["F"], "shown", None]),
        lambda data: data["cells"].__setitem__(0, [["F"], "guessed", 3]),
        lambda data: data["policy"].__setitem__("smallest", 3),
        lambda data: data.__setitem__("withheld_from", "few"),
        lambda data: data.__setitem__("dimensions", 3),
    ],
)
def test_a_spoiled_ledger_entry_is_refused_as_a_whole(spoil) -> None:  # noqa: ANN001
    data = protect(by_sex(3, 30)).release.to_dict()
    spoil(data)
    with pytest.raises(BadFileError, match="ledger entry"):
        Release.from_dict(data)
