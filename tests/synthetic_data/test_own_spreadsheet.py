from __future__ import annotations

import csv
import tomllib
from datetime import date, datetime

import numpy as np
import polars as pl
import pytest

from synthetic_data.exports import (
    HEADER_ROW,
    HEADINGS,
    Cohort,
    clean_frame,
    mapping_text,
    write_own_spreadsheet,
)

Rows = list[list[str]]


@pytest.fixture(scope="module")
def orchard(demo: Cohort) -> Cohort:
    return demo.of_practice("ORCHARD")


@pytest.fixture(scope="module")
def raw(orchard: Cohort, tmp_path_factory: pytest.TempPathFactory) -> bytes:
    path = tmp_path_factory.mktemp("orchard") / "orchard.csv"
    return write_own_spreadsheet(orchard, path, np.random.default_rng(2)).read_bytes()


@pytest.fixture(scope="module")
def rows(raw: bytes) -> Rows:
    return list(csv.reader(raw.decode("cp1252").splitlines(), delimiter=";"))


@pytest.fixture(scope="module")
def mapping() -> dict[str, dict[str, str]]:
    return tomllib.loads(mapping_text("ORCHARD"))


def joined_names(rows: Rows) -> list[str]:
    group, names = "", []
    for upper, lower in zip(rows[HEADER_ROW - 2], rows[HEADER_ROW - 1], strict=True):
        group = upper or group
        names.append(f"{group} {lower}".strip())
    return names


def test_the_file_is_as_bad_as_promised(raw: bytes, rows: Rows) -> None:
    text = raw.decode("cp1252")
    with pytest.raises(UnicodeDecodeError):
        raw.decode("utf-8")
    assert rows[0][0]  # a title above the table
    assert not any(rows[0][1:])
    assert len(set(rows[HEADER_ROW - 1])) < len(HEADINGS)  # names that only the group above tells apart
    assert rows[-1][0] == "Summe"
    assert {"n/a", "-"} <= {cell for row in rows for cell in row}
    assert any(cell != cell.strip() for row in rows[3:] for cell in row)
    assert {"Multiband", "MULTIBAND"} <= {row[11].strip() for row in rows[3:-1]}
    assert "14, 24" in text
    assert ";27,5;" in text or ",5;" in text


def test_the_mapping_covers_every_column_once(rows: Rows, mapping: dict[str, dict[str, str]]) -> None:
    names = joined_names(rows)
    assert len(set(names)) == len(names)
    assert set(names) == set(mapping["columns"]) | set(mapping["ignored"])
    assert mapping["ignored"] == {"Name": "a personal name"}
    assert mapping["constants"] == {"selection": "consecutive", "comparison": "treated"}


def understood(cell: str, name: str, codes: dict[str, dict[str, str]]) -> str | float | None:
    """One cell read by hand, as the mapping says."""
    text = cell.strip()
    if text.lower() in ("n/a", "-"):
        return None
    for listed, words in codes.items():
        if listed in name:
            return {theirs.lower(): ours for theirs, ours in words.items()}[text.lower()]
    if name == "extracted_teeth":
        return "none" if text.lower() == "keine" else " ".join(text.split(", "))
    if name in ("case_id", "clinician"):
        return text.upper()
    return float(text.replace(",", "."))


def test_read_by_its_mapping_it_equals_the_clean_form(
    rows: Rows, mapping: dict[str, dict[str, str]], orchard: Cohort
) -> None:
    clean = clean_frame(orchard)
    body = rows[HEADER_ROW:-1]
    assert len(body) == clean.height == 130
    codes: dict[str, dict[str, str]] = mapping["codes"]  # type: ignore[assignment]
    for place, column in enumerate(joined_names(rows)):
        name = mapping["columns"].get(column)
        if name is None or name.endswith("_date"):
            continue
        assert [understood(row[place], name, codes) for row in body] == clean[name].to_list(), column


def test_its_dates_lead_to_the_ages_quarters_and_months_of_the_clean_form(rows: Rows, orchard: Cohort) -> None:
    names = joined_names(rows)
    clean = clean_frame(orchard)

    def day(row: list[str], column: str) -> date | None:
        text = row[names.index(column)].strip()
        return None if text.lower() in ("n/a", "-") else datetime.strptime(text, "%d.%m.%Y").date()

    for row, expected in zip(rows[HEADER_ROW:-1], clean.iter_rows(named=True), strict=True):
        born, start, finish = (day(row, name) for name in ("Geb.-Datum", "Behandlungsbeginn", "Ende Datum"))
        assert born is not None
        assert start is not None
        assert round((start - born).days / 365.25, 2) == pytest.approx(expected["age_at_start"])
        assert f"{start.year}-Q{(start.month + 2) // 3}" == expected["start_quarter"]
        months = None if finish is None else round((finish - start).days / (365.25 / 12), 2)
        assert months == pytest.approx(expected["months_from_start_finish"])


def test_the_names_are_invented_and_nowhere_in_the_clean_form(rows: Rows, orchard: Cohort) -> None:
    names = {row[1].strip() for row in rows[HEADER_ROW:-1]}
    assert len(names) > 20
    text = clean_frame(orchard).with_columns(pl.all().cast(pl.String))
    assert not any(names & set(column.drop_nulls()) for column in text)
