"""What ties the columns and codes of a file to the contract: stated in a mapping file, never guessed."""

from __future__ import annotations

from pipelines.mapping.column_mapping import ColumnMapping, Constant, identity_mapping
from pipelines.mapping.file_columns import check_columns
from pipelines.mapping.mapping_file import load_mapping, parse_mapping
from pipelines.mapping.settings import FileSettings

__all__ = [
    "ColumnMapping",
    "Constant",
    "FileSettings",
    "check_columns",
    "identity_mapping",
    "load_mapping",
    "parse_mapping",
]
