"""What a build needs of the place it is made in."""

from collections.abc import Mapping
from typing import Any, Literal, Protocol

import polars as pl

from warehouse.store.tables import Tables
from warehouse.toml_files import shipped

Family = Literal["whole", "number", "text", "truth", "time", "nothing", "other"]
"""What a column of a Parquet file holds; ``nothing`` is a column without any value, whose type says nothing."""
FAMILIES: dict[str, dict[str, Any]] = shipped("warehouse.engine", "families.toml")


class Place(Tables, Protocol):
    """Tables of records in Parquet that marts can be made from, and where the marts are written."""

    engine: str  # `duckdb` or `spark`

    def families(self, table: str) -> dict[str, Family] | None:
        """What the columns of a table of the records hold; None where there is no such table."""

    def offer(self, table: str, columns: Mapping[str, str]) -> None:
        """Make a table of the records readable, with these columns (name -> SQL type) and no others."""

    def finish(self) -> None:
        """Write what is not yet written; afterwards the marts can be asked, and nothing more can be made."""

    def keep(self, table: str, frame: pl.DataFrame) -> None:
        """Write a frame beside the marts."""
