"""One table: small counts, their complements, and what must be withheld beside them."""

from __future__ import annotations

from dataclasses import replace
from types import MappingProxyType

import pytest

from tests.warehouse.disclosure.attacker import attack, table_of_shares
from warehouse.disclosure import Count, Dimension, Layout, Policy, Release, Table, protect
from warehouse.errors import BadFileError, RequestError

# Rule of the English hospital statistics for sub-national tables since September 2018: 1 to 7 hidden, others rounded
# to the nearest 5, means from 8 cases on. The threshold and the means rule were read in a mirror of the publisher's
# page; the rounding step is from memory.
HOSPITAL_2018 = Policy(minimum=8, round_to=5, mean_minimum=8)

BANDS = Dimension.of("band", ["low", "middle", "high"])


def bands(low: int, middle: int, high: int) -> Table:
    return Table("bands", Layout((BANDS,)), {("low",): low, ("middle",): middle, ("high",): high})


def shown(table: Table, policy: Policy | None = None) -> list[str]:
    return [cell.shown for cell in protect(table, policy).cells.values()]


def test_the_next_smallest_count_is_withheld_beside_a_single_small_one() -> None:
    """Counts 3, 12, 25 of 40: hiding the 3 alone leaves 40 - 12 - 25 = 3 (computed)."""
    assert shown(bands(3, 12, 25)) == ["fewer than 5", "withheld", "25", "40"]


def test_the_attacker_learns_no_more_than_the_label_says() -> None:
    small, withheld = attack([protect(bands(3, 12, 25)).release])
    assert (small.key, small.low, small.high) == (("low",), 1, 4)
    assert (withheld.key, withheld.low, withheld.high) == (("middle",), 11, 14)
    assert not small.recovered


def test_two_small_counts_can_hide_each_other() -> None:
    assert shown(bands(3, 2, 25)) == ["fewer than 5", "fewer than 5", "25", "30"]
    assert shown(bands(1, 1, 25)) == ["fewer than 5", "fewer than 5", "withheld", "27"]
    assert shown(bands(2, 2, 0)) == ["fewer than 5", "fewer than 5", "0", "fewer than 5"]


def test_zero_is_shown_and_looks_different_from_hidden() -> None:
    table = protect(bands(0, 12, 25))
    assert [cell.shown for cell in table.cells.values()] == ["0", "12", "25", "37"]
    assert table.cell("low").value == 0
    assert table.notes == ()


def test_a_zero_is_never_the_cover_for_a_small_count() -> None:
    assert shown(bands(0, 3, 25)) == ["0", "fewer than 5", "withheld", "28"]


def test_labels_that_give_the_counts_away_are_withheld_too() -> None:
    """Four cells that are not 0 in a total below 5 are all 1: the total loses its label."""
    layout = Layout((Dimension.of("site", ["a", "b", "c", "d"]),))
    table = protect(Table("sites", layout, {(site,): 1 for site in "abcd"}))
    assert table.cell("a").shown == "fewer than 5"
    assert table.cell("all").shown == "withheld"
    assert all(one.low == 1 and one.high >= 4 for one in attack([table.release]) if one.key != ("all",))


def test_a_count_next_to_the_threshold_gives_no_cover_to_a_reader_who_knows_the_rule() -> None:
    """1 and 5 of 6: a withheld 5 can only be 5 or more, so 6 would leave 1; the total has to go as well."""
    layout = Layout((Dimension.of("site", ["a", "b"]),))
    table = protect(Table("sites", layout, {("a",): 1, ("b",): 5}))
    ranges = {one.key: (one.low, one.high) for one in attack([table.release])}
    assert ranges["a",] == (1, 4)
    assert table.cell("all").value is None


def test_the_complement_of_a_count_is_protected() -> None:
    """38 adverse of 40 gives away 2 that are not."""
    rows = {("a",): (38, 40), ("b",): (30, 60)}
    table = protect(table_of_shares(name="shares", dimensions=[Dimension.of("site", ["a", "b"])], rows=rows))
    assert table.cell("a", "adverse").shown == "withheld"
    assert table.cell("a", "cases").shown == "40"
    assert table.cell("b", "adverse").shown == "withheld" or table.cell("all", "adverse").shown == "withheld"


def test_hospital_rule_of_2018() -> None:
    """0 shown; 1 to 7 hidden; from 8 rounded to the nearest 5; means from 8 (threshold and means rule read second-hand,
    rounding step from memory).
    """
    layout = Layout((Dimension.of("site", ["a", "b", "c", "d", "e", "f"]),))
    counts = {("a",): 0, ("b",): 7, ("c",): 8, ("d",): 12, ("e",): 13, ("f",): 101}
    table = protect(Table("sites", layout, counts), HOSPITAL_2018)
    assert [table.cell(site).shown for site in "abcdef"] == ["0", "fewer than 8", "10", "10", "15", "100"]
    assert table.cell("all").shown == "140"
    assert any("rounded to the nearest 5" in note for note in table.notes)
    assert HOSPITAL_2018.bounds_of(10) == (8, 12)
    assert Policy(round_to=10).bounds_of(Policy(round_to=10).shown_value(15)) == (15, 24)


def test_without_small_counts_nothing_is_touched() -> None:
    table = protect(bands(10, 12, 25))
    assert [cell.value for cell in table.cells.values()] == [10, 12, 25, 47]
    assert {cell.state for cell in table.cells.values()} == {"shown"}


def test_subtotals_take_part() -> None:
    members = {"8": ("8",), "9": ("9",), "8-9": ("8", "9"), "10": ("10",), "all": ("8", "9", "10")}
    layout = Layout((Dimension("age", MappingProxyType(members)),))
    table = protect(Table("ages", layout, {("8",): 2, ("9",): 20, ("10",): 30}))
    states = {key[0]: cell.state for key, cell in table.cells.items()}
    assert states == {"8": "small", "9": "withheld", "8-9": "shown", "10": "shown", "all": "shown"}


def test_nested_categories_without_their_difference_give_it_away() -> None:
    """ "Under 12" 20 and all 23 leave 3 aged 12 or more, though no such row is printed."""
    members = {"under 12": ("8-11",), "all": ("8-11", "12+")}
    layout = Layout((Dimension("age", MappingProxyType(members)),))
    table = protect(Table("ages", layout, {("8-11",): 20, ("12+",): 3}))
    assert table.cell("under 12").shown == "withheld"
    assert table.cell("all").shown == "23"


def test_the_practice_itself_sees_every_count_and_no_file_can_say_that_it_is_the_reader() -> None:
    own = Policy.nothing_hidden()
    table = protect(bands(1, 3, 25), own)
    assert [cell.shown for cell in table.cells.values()] == ["1", "3", "25", "29"]
    assert table.notes == ()
    with pytest.raises(TypeError):
        Policy(hides_nothing=True)  # type: ignore[call-arg]
    written = table.release.to_dict()
    assert Release.from_dict(written).policy == Policy(mean_minimum=0)
    with pytest.raises(BadFileError):
        Release.from_dict(written | {"policy": written["policy"] | {"hides_nothing": True}})
    assert not replace(own, round_to=5).hides_nothing


def test_a_hidden_count_is_never_reckoned_with() -> None:
    hidden = protect(bands(3, 12, 25)).cell("low")
    with pytest.raises(ValueError, match="hidden count"):
        _ = hidden.n
    assert Count.of(1234) == Count("shown", "1,234", 1234)


def test_tables_and_policies_that_make_no_sense_are_refused() -> None:
    with pytest.raises(RequestError, match="below zero"):
        bands(-1, 2, 3)
    with pytest.raises(RequestError, match="used twice"):
        Layout((BANDS,), {"band": ("low",)})
    with pytest.raises(RequestError, match="smallest count of 2"):
        Policy(minimum=2)
    with pytest.raises(RequestError, match="Rounding to 1"):
        Policy(round_to=1)
    with pytest.raises(RequestError, match="No such cell"):
        protect(bands(3, 12, 25)).cell("nowhere")
