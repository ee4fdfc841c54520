"""Files of points measured on the spot: nothing is stored, and case numbers stay as they stand in the file.

The file stays with its owner, so its case numbers are not hashed here; columns that identify persons are refused as
at ingest, and so is everything that is not mapped.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import polars as pl

from pipelines.contract.contract import load_contract
from pipelines.deidentify.keyer import Keyer
from pipelines.deidentify.shown_reading import discover_shown, read_shown
from pipelines.interpreting.interpret import interpret
from pipelines.mapping.column_mapping import identity_mapping
from pipelines.mapping.file_columns import check_columns
from pipelines.mapping.mapping_file import load_mapping
from pipelines.points.tracing import POINTS, usual_codes, visits_of
from pipelines.reading.settings import ReadSettings
from warehouse.errors import RequestError
from warehouse.measures.catalogue import CATALOGUE
from warehouse.measures.geometry import compute
from warehouse.measures.landmarks import VIEWS

_PRACTICE = "PRACTICE"
_KEY = ("case_id", "timepoint", "view", "landmark", "examiner", "repeat_no", "x", "y")


class OpenKeyer(Keyer):
    """Leaves case numbers as they are."""

    def __init__(self) -> None:
        super().__init__(bytes(32))

    def numbered(self, practice: str, case_ids: pl.Series) -> tuple[pl.Series, int | None]:
        """The case numbers themselves, named ``case_id``; as by the rule."""
        return case_ids.alias("case_id"), None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PointsFiles:
    """Points as handed over, and what is known of their records."""

    points: pl.DataFrame  # One row a point that could be read
    visits: pl.DataFrame | None  # What files of visits say; None where there are none
    n_read: int  # Points read; more than `points` holds where some could not be used
    problems: pl.DataFrame  # File, row, column and rule of cells that could not be understood

    def measured(self) -> pl.DataFrame:
        """Every measure of every tracing, see ``warehouse.measures.geometry.compute``."""
        return compute(self.points, self.visits)

    def of_case(self, case_id: str) -> pl.DataFrame:
        """The points of one case. Raises RequestError: there are none; some of the numbers there are are listed."""
        points = self.points.filter(pl.col("case_id") == case_id)
        if points.height:
            return points
        shown = ", ".join(self.points["case_id"].unique(maintain_order=True).head(5))
        raise RequestError(
            "the file has no points of this case", where="--case", expected=f"a case of it, such as {shown}"
        )


def read_points(paths: Sequence[Path], *, mapping: Path | None = None) -> PointsFiles:
    """Read files of points, and of visits beside them.

    ``paths``: Files and folders; files of visits give enlargement, scale, and kinds of porion and gonion. ``mapping``:
    A mapping file that applies to every file, or None for contract names. Raises BadFileError: a file cannot be used;
    MappingError: a file has columns that are not mapped, or identifying ones; RequestError: a file holds neither points
    nor visits, or no file holds points.
    """
    contract = load_contract()
    stated = load_mapping(mapping, contract=contract, catalogue=CATALOGUE) if mapping else None
    settings = stated.settings.read_settings() if stated else ReadSettings()
    deliveries = []
    for raw in (table for path in discover_shown(paths) for table in read_shown(path, settings)):
        used = stated or identity_mapping(raw.frame.columns, contract=contract, catalogue=CATALOGUE)
        check_columns(raw, used, contract=contract, catalogue=CATALOGUE)
        if used.settings.layout != "points" and used.settings.table != "visits":
            found = "the file holds neither points nor visits"
            expected = "the columns case_id, timepoint, view, landmark, x, y, unit, y_axis, faces"
            raise RequestError(found, where=raw.source.name, expected=expected, remedy="leave the file out")
        deliveries.append(
            interpret(raw, used, contract=contract, catalogue=CATALOGUE, practice=_PRACTICE, keyer=OpenKeyer())
        )
    listed = [one.tables[POINTS] for one in deliveries if POINTS in one.tables]
    if not listed:
        raise RequestError("no file holds points", expected="a CSV file or JSON list of points")
    read = pl.concat(listed, how="vertical_relaxed")
    usable = read.drop_nulls(_KEY).filter(pl.col("view").is_in(VIEWS))
    return PointsFiles(
        points=usual_codes(usable).drop("row"),
        visits=visits_of(deliveries, None, contract),
        n_read=read.height,
        problems=pl.concat(
            one.problems.select(pl.lit(one.source.name).alias("file"), "row", "column", "rule") for one in deliveries
        ),
    )
