"""Files that are refused as a whole, with the rule, the place and what to do."""

from __future__ import annotations

from collections.abc import Callable

import polars as pl
import pytest

from pipelines.checking.validation import refuse_bad_files
from pipelines.contract.contract import load_contract
from pipelines.contract.delivery import Delivery
from warehouse.errors import BadFileError
from warehouse.measures.catalogue import CATALOGUE

Deliver = Callable[..., Delivery]

CASES = pl.DataFrame(
    {
        "case_id": ["a", "b"],
        "sex": "male",
        "selection": "consecutive",
        "status": "finished",
        "comparison": "treated",
    }
)
READINGS = pl.DataFrame({"case_id": ["a"], "timepoint": "start", "examiner": "E1", "repeat_no": 1, "sna_deg": 81.0})


def refuse(*deliveries: Delivery) -> None:
    refuse_bad_files(deliveries, contract=load_contract(), catalogue=CATALOGUE)


def test_good_files_pass(deliver: Deliver) -> None:
    refuse(deliver(cases=CASES), deliver("wide", cases=CASES, readings=READINGS))


@pytest.mark.parametrize(
    ("rule", "frame", "place"),
    [
        ("F001", CASES.drop("selection"), "selection"),
        ("F001", CASES.drop("selection", "sex"), "sex, selection"),
        ("F002", CASES.with_columns(selection=pl.lit(None, dtype=pl.String)), "Auswahl"),
        ("F004", CASES.clear(), "no rows"),
        ("F005", CASES.with_columns(status_of=pl.lit(1)), "status_of"),
    ],
)
def test_a_file_of_cases_is_refused(deliver: Deliver, rule: str, frame: pl.DataFrame, place: str) -> None:
    with pytest.raises(BadFileError, match=rule) as refusal:
        refuse(deliver(cases=CASES), deliver(cases=frame, columns={"selection": "Auswahl"}, name="two.csv"))
    assert refusal.value.where.startswith(f"two.csv: {place}")
    assert refusal.value.remedy


def test_a_measure_nobody_knows_is_refused_with_near_names(deliver: Deliver) -> None:
    readings = READINGS.rename({"sna_deg": "snaa_deg"})
    with pytest.raises(BadFileError, match="F003") as refusal:
        refuse(deliver("wide", cases=CASES, readings=readings))
    assert "snaa_deg (did you mean sna_deg" in refusal.value.where


def test_a_table_nobody_knows_is_refused(deliver: Deliver) -> None:
    with pytest.raises(BadFileError, match="F005") as refusal:
        refuse(deliver(bills=CASES))
    assert refusal.value.where.endswith("bills")


def test_a_column_of_cells_not_understood_is_not_empty(deliver: Deliver) -> None:
    frame = CASES.with_columns(sex=pl.lit(None, dtype=pl.String))
    problems = [("cases", row, "sex", "K002", "a word of 3 letters") for row in (2, 3)]
    refuse(deliver(cases=frame, problems=problems))


def test_a_column_emptied_by_another_of_its_rows_is_not_empty(deliver: Deliver) -> None:
    """A value whose unit does not fit is null without being blank: its row is turned away, not the file."""
    frame = CASES.with_columns(sex=pl.lit(None, dtype=pl.String))
    rows = (2, 3)
    refuse(deliver(cases=frame, problems=[("cases", row, "age_at_start", "K002", "a word") for row in rows]))
    with pytest.raises(BadFileError, match="F002"):
        refuse(deliver(cases=frame, problems=[("cases", rows[0], "age_at_start", "K002", "a word")]))


def test_a_phase_without_appliance_is_a_matter_of_its_row_in_a_wide_file(deliver: Deliver) -> None:
    phases = pl.DataFrame({"case_id": ["a"], "phase_no": [1], "appliance_category": pl.Series([None], dtype=pl.String)})
    refuse(deliver("wide", cases=CASES, phases=phases))
    with pytest.raises(BadFileError, match="F002"):
        refuse(deliver(phases=phases))
