"""Dates are read only where their order is certain."""

from __future__ import annotations

from datetime import date, datetime, timedelta
from typing import Any

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipelines.cells.dates import order_of
from pipelines.cells.reading import read_cells
from pipelines.cells.understood import Expected
from pipelines.contract.targets import Targets
from tests.raw_tables import CONTRACT, TODAY
from warehouse.measures.catalogue import CATALOGUE

TARGET = Targets("wide", None, contract=CONTRACT, measures=CATALOGUE).find("birth_date")


def read(cells: Any, order: Any = None, **more: Any) -> Any:
    what = Expected(target=TARGET, today=TODAY, missing=CONTRACT.missing, date_order=order, **more)
    return read_cells(pl.Series(cells, strict=False), what)


def test_dates_with_the_year_first_need_no_order() -> None:
    cells = ["2010-03-04", "2010/3/4", "2010.03.04", "2010-03-04 00:00:00", "2010-03-04T10:20:30Z"]
    assert read(cells).values.to_list() == [date(2010, 3, 4)] * 5
    assert order_of(pl.Series(cells)) == "none needed"


def test_typed_dates_need_no_order() -> None:
    assert read([date(2010, 3, 4), None]).values.to_list() == [date(2010, 3, 4), None]
    assert read([datetime(2010, 3, 4, 23, 59)]).values.to_list() == [date(2010, 3, 4)]
    assert order_of(pl.Series([date(2010, 3, 4)])) == "none needed"


@pytest.mark.parametrize(
    ("cells", "order"),
    [
        (["04.03.2010", "25.03.2010"], "dmy"),
        (["03/04/2010", "03/25/2010"], "mdy"),
        (["04.03.2010", "05.03.2010"], "ambiguous"),
        (["25.03.2010", "03.25.2010"], "contradictory"),
        (["31.31.2010", "2010-01-01", "-"], "none needed"),
        ([], "none needed"),
    ],
)
def test_the_order_that_a_column_shows(cells: Any, order: Any) -> None:
    assert order_of(pl.Series(cells, dtype=pl.String)) == order


@settings(deadline=None, max_examples=60)
@given(st.dates(date(1900, 1, 1), TODAY), st.sampled_from([".", "/", "-", ". "]))
def test_dates_come_back_as_python_wrote_them(day: Any, separator: Any) -> None:
    day_first = day.strftime(f"%d{separator}%m{separator}%Y")
    month_first = day.strftime(f"%m{separator}%d{separator}%Y")
    assert read([day_first], "dmy").values.to_list() == [day]
    assert read([month_first], "mdy").values.to_list() == [day]
    assert read([day.isoformat()], "dmy").values.to_list() == [day]


def test_without_an_order_a_date_with_the_year_last_is_not_read() -> None:
    assert read(["04.03.2010"]).bad["rule"].to_list() == ["K003"]
    assert read(["04.03.2010"], "ymd").bad["rule"].to_list() == ["K003"]


def test_what_is_no_date() -> None:
    found = read(["4.3.10", "March 2010", "2010", "4711", "25.03.2010"], "dmy")
    assert found.bad.select("index", "rule").rows() == [(0, "K003"), (1, "K003"), (2, "K003"), (3, "K003")]
    assert found.values.to_list()[-1] == date(2010, 3, 25)


def test_dates_that_cannot_be() -> None:
    tomorrow = TODAY + timedelta(days=1)
    found = read(["31.02.2010", "01.13.2010", "31.12.1899", tomorrow.strftime("%d.%m.%Y")], "dmy")
    assert found.values.to_list() == [None] * 4
    assert found.bad.select("rule", "said").rows() == [
        ("K009", "a date that is not in the calendar"),
        ("K009", "a date that is not in the calendar"),
        ("K009", "a date before 1900"),
        ("K009", "a date in the future"),
    ]


def test_typed_dates_that_cannot_be() -> None:
    found = read([date(2010, 1, 1), date(1899, 1, 1), TODAY + timedelta(days=1), None])
    assert found.values.to_list() == [date(2010, 1, 1), None, None, None]
    assert found.bad["index"].to_list() == [1, 2]
    assert found.bad["rule"].to_list() == ["K009", "K009"]


def test_blank_dates_are_counted() -> None:
    found = read(["n/a", "?", "", None, "01.02.2010", "never"], "dmy", spellings={"never": ""})
    assert found.values.to_list() == [None] * 4 + [date(2010, 2, 1), None]
    assert found.blanks == {"n/a": 1, "?": 1, "never": 1}
    assert found.bad.is_empty()
