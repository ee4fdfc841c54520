"""The practice's own case numbers beside their keys: made on its own machine, with its own key, and never stored."""

from __future__ import annotations

from pathlib import Path

import polars as pl

from pipelines.contract.contract import load_contract
from pipelines.deidentify import Keyer
from pipelines.deidentify.shown_reading import read_shown
from pipelines.ingest.ingest import key_file_beside
from pipelines.mapping import check_columns, identity_mapping, load_mapping
from pipelines.points.points_files import OpenKeyer
from pipelines.reading import ReadSettings
from warehouse.errors import KeyProblemError
from warehouse.measures.catalogue import CATALOGUE


def own_numbers(
    path: Path, *, warehouse: Path, practice: str, mapping: Path | None = None, key_file: Path | None = None
) -> pl.DataFrame:
    """``case_key`` and ``case_id`` of every case of a file.

    Args:
        path: A file of cases, or any file with their numbers.
        warehouse: The warehouse folder, beside which the key lies.
        practice: Pseudonym under which the cases were loaded.
        mapping: Its mapping file, or None for contract names.
        key_file: File of the case key; None for the one beside the warehouse folder.

    Raises:
        BadFileError: The file cannot be used.
        MappingError: The mapping does not cover the file.
        KeyProblemError: There is no key file.
    """
    from pipelines.interpreting import interpret

    contract = load_contract()
    stated = load_mapping(mapping, contract=contract, catalogue=CATALOGUE) if mapping else None
    numbers = []
    for raw in read_shown(path, stated.settings.read_settings() if stated else ReadSettings()):
        used = stated or identity_mapping(raw.frame.columns, contract=contract, catalogue=CATALOGUE)
        check_columns(raw, used, contract=contract, catalogue=CATALOGUE)
        read = interpret(raw, used, contract=contract, catalogue=CATALOGUE, practice=practice, keyer=OpenKeyer())
        numbers.append(next(iter(read.tables.values()))["case_id"].drop_nulls())
    listed = pl.concat(numbers).unique(maintain_order=True)
    keys = _keyer(key_file or key_file_beside(warehouse)).keys(practice, listed)
    return pl.DataFrame({"case_key": keys, "case_id": listed})


def _keyer(path: Path) -> Keyer:
    if path.exists():  # reading it would else make a fresh key, with which no case can be found
        return Keyer.from_file(path)
    found = "there is no key file"
    raise KeyProblemError(found, where=path.name, remedy="name it with --key-file")
