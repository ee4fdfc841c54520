"""Lengths of films at true size in the published tables; compared only where both times are of one kind."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.hand_made import key, made_case, reader_of
from warehouse.marts.reader import Reader

LENGTHS = {"lafh_mm_start": 70.0, "lafh_mm_finish": 72.0, "tafh_mm_start": 120.0, "tafh_mm_finish": 123.0}


@pytest.fixture(scope="module")
def reader(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Reader]:
    rows = [
        made_case("both", magnification_pct_start=8.0, magnification_pct_finish=12.0, **LENGTHS),
        made_case("once", magnification_pct_start=8.0, **LENGTHS),
        made_case("never", overjet_mm_start=5.0, overjet_mm_finish=3.0, **LENGTHS),
        made_case("zero", magnification_pct_start=0.0, magnification_pct_finish=0.0, sna_deg_start=82.0, **LENGTHS),
        made_case("cast", magnification_pct_start=8.0, magnification_pct_finish=8.0, overjet_mm_start=5.4),
    ]
    with reader_of(tmp_path_factory.mktemp("size"), rows) as opened:
        yield opened


def at(reader: Reader, case: str, measure: str) -> list[float | None]:
    rows = reader.connection.rows(
        f"select {measure} from mart_timeline inner join mart_cases using (case_no)"
        " where case_key = ? order by months_from_start",
        [key(case)],
    )
    return [value for (value,) in rows]


def test_both_films_are_brought_to_true_size(reader: Reader) -> None:
    # computed: 70.0 / 1.08 = 64.8148, 72.0 / 1.12 = 64.2857: a raw rise of 2.0 is a true fall of 0.529
    before, after = at(reader, "both", "lafh_mm")
    assert (before, after) == pytest.approx((64.8148, 64.2857), abs=5e-5)
    assert (after or 0) - (before or 0) == pytest.approx(-0.5291, abs=5e-5)


def test_without_an_enlargement_lengths_are_as_on_the_film(reader: Reader) -> None:
    assert at(reader, "never", "lafh_mm") == [70.0, 72.0]
    assert at(reader, "zero", "lafh_mm") == [70.0, 72.0]


def test_angles_and_what_is_read_from_casts_keep_their_value(reader: Reader) -> None:
    assert at(reader, "zero", "sna_deg") == [82.0, None]
    assert at(reader, "cast", "overjet_mm") == [5.4, None]


@pytest.mark.parametrize(("case", "differs"), [("both", False), ("once", True), ("never", False), ("zero", False)])
def test_an_enlargement_stated_once_is_marked(reader: Reader, case: str, differs: bool) -> None:
    found = reader.connection.value(
        "select is_size_different from mart_spans inner join mart_cases using (case_no)"
        " where case_key = ? and span = 'start_to_finish'",
        [key(case)],
    )
    assert found is differs


def test_a_change_of_lengths_of_unlike_size_is_not_assessable(tmp_path: Path) -> None:
    from warehouse.marts.catalogues import register
    from warehouse.marts.publish import publish
    from warehouse.outcomes.registry import definition_from, definition_to_dict
    from warehouse.store.store import open_store

    longer = {
        "id": "L1",
        "version": "1.0.0",
        "family": "vertical",
        "label": "Lower face height",
        "sentence": "The lower face grew by 1 mm or more.",
        "combine": "all",
        "missing": "not_assessable",
        "minimum_months": 12,
        "source": "made for a test",
        "part": [
            {"kind": "change", "measures": ["lafh_mm"], "basis": "raw", "direction": "rise", "threshold": 1.0,
             "beyond_error": "never"}
        ],
    }  # fmt: skip
    rows = [
        made_case("both", magnification_pct_start=8.0, magnification_pct_finish=12.0, **LENGTHS),
        made_case("once", magnification_pct_start=8.0, **LENGTHS),
    ]
    reader_of(tmp_path, rows).close()
    with open_store(tmp_path) as store:
        added = definition_from(longer, where="test")
        register(store, "definition", added.id, added.version, definition_to_dict(added))
        publish(tmp_path, store)
    with Reader.open(tmp_path) as reader:
        found = reader.connection.rows(
            "select case_key, mart_outcomes.status, step from mart_outcomes inner join mart_cases using (case_no)"
            " where definition_id = 'L1'"
        )
    assert set(found) == {
        (key("both"), "not adverse", "counted"),
        (key("once"), "not assessable", "variant_differs"),
    }
