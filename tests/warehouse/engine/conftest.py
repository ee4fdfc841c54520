"""The records of the invented study in Parquet, and the marts DuckDB builds from them: what others must equal."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import pytest

from tests.conftest import Study
from warehouse.engine.build import RATES, build, rates_table
from warehouse.engine.duck import DuckPlace
from warehouse.engine.layout import write_records
from warehouse.engine.place import Place
from warehouse.questions.shares import rates
from warehouse.store.store import open_store
from warehouse.words.sentences import caution_text

BY = (None, "appliance_category", "appliance_ever", "age_band", "extraction", "start_year")
DEFINITIONS = ("D1", "D3")


def build_all(place: Place, records: Path, out: Path) -> None:
    """Marts and rates, as the command makes them."""
    try:
        reader = build(place, records=str(records), out=str(out))
        found = [rates(reader, by=by, definition=definition) for definition in DEFINITIONS for by in BY]
        place.keep(RATES, rates_table(found, caution_text))
    finally:
        place.close()


@dataclass(frozen=True, slots=True)
class Built:
    """A folder of records and the marts made of it by DuckDB."""

    records: Path
    marts: Path


@pytest.fixture(scope="session")
def built(study: Study, tmp_path_factory: pytest.TempPathFactory) -> Built:
    folder = tmp_path_factory.mktemp("registry")
    records, marts = folder / "records", folder / "marts"
    with open_store(study.warehouse) as store:
        write_records(store, records)
    build_all(DuckPlace(str(records), str(marts)), records, marts)
    return Built(records, marts)
