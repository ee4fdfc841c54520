"""Tables for a paper, the checklist, and how many cases would settle it."""

from __future__ import annotations

from pathlib import Path

import pytest

from warehouse.errors import RequestError
from warehouse.marts.reader import Reader
from warehouse.plans.question import Question
from warehouse.questions.characteristics import VARIABLES, starting_table
from warehouse.questions.sample_size import plan_difference, plan_precision
from warehouse.words.characteristics import table_as_printed
from warehouse.words.strobe import strobe_items, strobe_markdown

STROBE_NUMBERS = [
    "1a", "1b", "2", "3", "4", "5", "6", "7", "8", "9", "10", "11", "12a", "12b", "12c", "12d", "12e", "13a", "13b",
    "13c", "14a", "14b", "14c", "15", "16a-c", "17", "18", "19", "20", "21", "22",
]  # fmt: skip
"""Items of the STROBE checklist for cohort studies, von Elm et al. 2007, PLoS Med 4:e296, table 1 (from memory)."""


def test_the_table_describes_all_cases_started(reader: Reader) -> None:
    found = starting_table(reader, Question(by="extraction"))
    n_started = reader.connection.value("select count(*) from mart_cases")
    assert sum(found.table.sizes) == n_started
    counted = starting_table(reader, Question(by="extraction"), of_counted=True)
    assert sum(counted.table.sizes) < n_started


def test_the_printed_table_has_the_usual_layout(reader: Reader) -> None:
    frame = table_as_printed(starting_table(reader, Question(by="extraction")), reader.labels)
    assert frame.columns[0] == "characteristic"
    assert frame.columns[-1] == "SMD"
    assert frame.columns[1].startswith("non-extraction (n = ")
    first = frame["characteristic"].to_list()
    assert [title for title in VARIABLES.values() if title in first] == [
        title for name, title in VARIABLES.items() if name != "extraction"
    ]
    age = reader.connection.rows(
        "select avg(age_at_start), stddev_samp(age_at_start) from mart_cases where extraction = 'extraction'"
    )[0]
    row = frame.row(first.index("Age at start (years)"))
    assert row[2] == f"{age[0]:.1f} ({age[1]:.1f})"
    assert "  female" in first
    assert "  not known" in first


def test_levels_stand_in_their_order_and_codes_are_labelled(reader: Reader) -> None:
    first = table_as_printed(starting_table(reader, Question(by="extraction")), reader.labels)[
        "characteristic"
    ].to_list()
    low = first.index("  low")
    assert first[low : low + 3] == ["  low", "  average", "  high"]


def test_the_checklist_has_every_item_and_says_what_it_knows(reader: Reader) -> None:
    items = strobe_items(reader)
    assert [item.number for item in items] == STROBE_NUMBERS
    assert all(item.known or item.to_write for item in items)
    outcome = next(item for item in items if item.number == "15")
    n = reader.connection.value("select count(*) from mart_outcomes where definition_id = 'D1' and step = 'counted'")
    assert f"{n} cases" in outcome.known


def test_the_checklist_leaves_blanks_and_names_its_source(reader: Reader) -> None:
    items = strobe_items(reader)
    text = strobe_markdown(items, build="0001-x")
    assert text.count("____ (") == sum(bool(item.to_write) for item in items)
    assert "von Elm et al. 2007" in text


def test_a_registered_plan_fills_the_objectives(with_plan: Path) -> None:
    with Reader.open(with_plan) as reader:
        items = {item.number: item for item in strobe_items(reader)}
    assert "Do faces lengthen more often with an expander?" in items["3"].known
    assert items["3"].to_write == ""
    assert "P1" in items["9"].known


def test_cases_for_a_precision_use_the_practices_own_share(reader: Reader) -> None:
    found = plan_precision(reader, Question(), half_width=0.03)
    assert found.assumed == found.present.value
    assert found.needed is not None
    assert found.needed.n is not None
    assert found.months is not None
    assert found.months.cases_missing == found.needed.n - found.present.n


def test_the_pace_counts_assessed_cases_of_the_last_quarters(reader: Reader) -> None:
    pace = plan_precision(reader, Question()).pace
    first = f"{int(pace.until[:4]) - 2}-Q{int(pace.until[-1])}"
    n = reader.connection.value(
        "select count(*) from mart_outcomes inner join mart_cases using (case_no) where definition_id = 'D1'"
        " and step = 'counted' and start_quarter > ? and start_quarter <= ?",
        [first, pace.until],
    )
    assert pace.cases == n
    assert pace.per_month == pytest.approx(n / 24)


def test_a_difference_can_be_planned_with_shares_given(reader: Reader) -> None:
    """Fleiss 1981, table A.3 (from memory): 0.10 against 0.25, power 0.8, two-sided 5 %: 113 a group."""
    found = plan_difference(
        reader, Question(by="appliance_category", first="fixed_labial", second="facemask"), shares=(0.10, 0.25)
    )
    assert found.needed is not None
    assert found.needed.n == 113
    assert found.present[1].value is None


def test_without_a_share_nothing_is_planned(reader: Reader) -> None:
    found = plan_difference(reader, Question(by="appliance_category", first="fixed_labial", second="facemask"))
    assert found.needed is None
    assert found.power_now is None
    assert found.months == (None, None)


def test_an_impossible_number_is_refused(reader: Reader) -> None:
    with pytest.raises(RequestError, match="half-width"):
        plan_precision(reader, Question(), half_width=0.0)
