"""The practice's own case numbers and their keys: made on its own machine, with its own key, and never stored."""

import json
from collections.abc import Mapping
from functools import partial
from pathlib import Path

import polars as pl

from pipelines.contract.contract import load_contract
from pipelines.deidentify.keyer import Keyer, KnownNumbers, none_known
from pipelines.deidentify.shown_reading import read_shown
from pipelines.ingest.quarantine import corrected
from pipelines.ingest.remembered import recalled_for
from pipelines.mapping.column_mapping import identity_mapping
from pipelines.mapping.file_columns import check_columns
from pipelines.mapping.mapping_file import load_mapping
from pipelines.points.points_files import OpenKeyer
from pipelines.reading.settings import ReadSettings
from warehouse.errors import KeyProblemError
from warehouse.marts.catalogues import AS_WRITTEN, JOINED, RENAMED
from warehouse.marts.reader import Reader
from warehouse.measures.catalogue import CATALOGUE
from warehouse.private_files import beside
from warehouse.store.tables import Tables


def keyer_there(key_file: Path | None, warehouse: Path) -> Keyer:
    """The keyer of a key file (None: beside the warehouse); KeyProblemError without one: a fresh key finds no case."""
    if (path := key_file or beside(warehouse, "key")).exists():
        return Keyer.from_file(path)
    found = "there is no key file"
    raise KeyProblemError(found, where=path.name, remedy="name it with --key-file, or give the case key with --case")


def knowing(
    keyer: Keyer, tables: Tables, settings: Mapping[str, str], *, cases: str = "case_registry", of: str = ""
) -> Keyer:
    """The keyer of a warehouse: keys it has stay as they are, and joined numbers and renamed practices find theirs.

    ``tables``: the store, or a snapshot with ``cases="mart_cases", of="mart_"``; ``settings``: those in force in it.
    """

    def known(keys: pl.Series) -> pl.Series:
        query = f"select case_key from asked where case_key in (select case_key from {cases} union all select case_key"
        with tables.given(asked=keys.to_frame("case_key")):
            return tables.frame(f"{query} from {of}turned_away where case_key is not null)")["case_key"]

    hidden: dict[str, str] = json.loads(settings.get(RENAMED, "{}"))
    names = {practice: keyer.mask(text, of=practice) for practice, text in hidden.items()}
    marks = frozenset(json.loads(settings.get(AS_WRITTEN, "[]")))
    has_keys = tables.value(f"select exists (select 1 from {cases}) or exists (select 1 from {of}turned_away)")
    asked = known if has_keys else none_known
    return keyer.knowing(KnownNumbers(asked, json.loads(settings.get(JOINED, "{}")), marks, names))


def own_numbers(
    path: Path,
    *,
    warehouse: Path,
    reader: Reader,
    practice: str,
    mapping: Path | None = None,
    key_file: Path | None = None,
) -> pl.DataFrame:
    """``case_key`` and ``case_id`` of every case of a file; of several spellings of a number, the first.

    ``path``: Any file with the numbers. ``practice``: Pseudonym the cases were loaded under. ``mapping``: None for
    the one remembered for its headings, or else contract names. ``key_file``: None for the one beside ``warehouse``.
    Raises as ``ingest`` does.
    """
    from pipelines.interpreting.interpret import interpret

    contract = load_contract()
    mapping = mapping or recalled_for(warehouse, practice, partial(read_shown, path))
    stated = load_mapping(mapping, contract=contract, catalogue=CATALOGUE) if mapping else None
    numbers = []
    for raw, _ in map(corrected, read_shown(path, stated.settings.read_settings() if stated else ReadSettings())):
        used = stated or identity_mapping(raw.frame.columns, contract=contract, catalogue=CATALOGUE)
        check_columns(raw, used, contract=contract, catalogue=CATALOGUE)
        read = interpret(raw, used, contract=contract, catalogue=CATALOGUE, practice=practice, keyer=OpenKeyer())
        numbers.append(next(iter(read.tables.values()))["case_id"].drop_nulls())
    listed = pl.concat(numbers).unique(maintain_order=True)
    keyer = knowing_published(keyer_there(key_file, warehouse), reader)
    return pl.DataFrame({"case_key": keyer.keys(practice, listed), "case_id": listed}).unique(
        "case_key", keep="first", maintain_order=True
    )


def knowing_published(keyer: Keyer, reader: Reader) -> Keyer:
    """The same by what is published."""
    return knowing(keyer, reader.connection, reader.settings, cases="mart_cases", of="mart_")
