"""One row a case, with outcome, groups and covariates."""

from __future__ import annotations

import polars as pl
import pytest

from warehouse.errors import RequestError
from warehouse.marts.reader import Reader
from warehouse.questions.case_table import CASE_COLUMNS, case_table
from warehouse.selection import Selection


def test_counts_agree_with_the_published_outcomes(reader: Reader) -> None:
    frame = case_table(reader, reader.definition("D1"), Selection())
    published = dict(
        reader.connection.rows("select status, count(*) from mart_outcomes where definition_id = 'D1' group by status")
    )
    assert frame["adverse"].sum() == published["adverse"]
    assert (~frame["adverse"]).sum() == published["not adverse"]
    assert frame["adverse"].null_count() == published["not assessable"]
    assert frame.columns == ["case_no", "adverse", "is_due", "value", *CASE_COLUMNS]


def test_a_case_in_treatment_is_not_due(reader: Reader) -> None:
    frame = case_table(reader, reader.definition(), Selection(), columns=["sex"])
    going = reader.connection.value("select count(*) from mart_cases where status = 'in_treatment'")
    assert (~frame["is_due"]).sum() == going
    assert frame.filter(~pl.col("is_due"))["adverse"].null_count() == going


def test_a_sex_called_unknown_is_not_known(reader: Reader) -> None:
    frame = case_table(reader, reader.definition(), Selection(), columns=["sex"])
    assert set(frame["sex"].drop_nulls()) == {"female", "male"}
    unknown = reader.connection.value("select count(*) from mart_cases where sex = 'unknown'")
    assert frame["sex"].null_count() == unknown > 0


def test_groups_and_filters_narrow_the_cases(reader: Reader) -> None:
    females = Selection(filters={"sex": ("female",)})
    frame = case_table(
        reader, reader.definition(), females, columns=["appliance_category"],
        among={"appliance_category": ("fixed_labial",)},
    )  # fmt: skip
    expected = reader.connection.value(
        "select count(*) from mart_cases where sex = 'female' and appliance_first = 'fixed_labial'"
    )
    assert frame.height == expected


def test_an_unknown_column_is_refused_with_a_near_name(reader: Reader) -> None:
    with pytest.raises(RequestError, match="did you mean age_at_start"):
        case_table(reader, reader.definition(), Selection(), columns=["age_at_stat"])


def test_no_case_gives_an_empty_frame(reader: Reader) -> None:
    frame = case_table(reader, reader.definition(), Selection(comparison="untreated"))
    assert frame.height == 0
    assert frame.schema["adverse"] == pl.Boolean
