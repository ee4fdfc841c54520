"""Are the marts in two folders the same: counts and text exactly, numbers to 1e-12?"""

from __future__ import annotations

from pathlib import Path

import polars as pl
from polars.testing import assert_frame_equal

KEYS = {
    "mart_timeline": ["case_no", "timepoint"],
    "mart_cases": ["case_no"],
    "mart_spans": ["case_no", "span"],
    "mart_results": ["case_no"],
    "mart_loads": ["load_id"],
    "mart_turned_away": ["load_id", "table_name", "row_no", "rule", "column_name", "found"],
    "mart_remarks": ["load_id", "table_name", "row_no", "rule", "column_name", "found"],
    "mart_turned_away_cases": ["practice"],
    "mart_landmarks": ["case_no", "timepoint", "view", "landmark", "examiner", "repeat_no"],
    "mart_repeats": ["case_no", "timepoint", "examiner", "repeat_no"],
    "mart_phases": ["case_no", "phase_no"],
    "mart_plans": ["entry"],
    "mart_definitions": ["definition_id"],
    "mart_measures": ["measure"],
    "mart_growth": ["measure", "sex"],
    "mart_method_errors": ["practice", "measure", "is_taken_again"],
    "mart_settings": ["name"],
    "mart_steps": ["step_no"],
    "mart_build": ["build_id"],
    "rates": ["definition_id", "grouped_by", "group"],
}
WHEN = {"mart_build": ["published_at"]}
"""Columns that say when a build was made."""


def table(folder: Path, name: str) -> pl.DataFrame:
    path = folder / f"{name}.parquet"
    frame = pl.read_parquet(path / "*.parquet" if path.is_dir() else path)
    return frame.drop(WHEN.get(name, [])).sort(KEYS[name], nulls_last=True)


def names(folder: Path) -> set[str]:
    return {path.name.removesuffix(".parquet") for path in folder.iterdir()}


def assert_same_marts(one: Path, other: Path, *, no_file_if_empty: bool = False) -> int:
    """Gives the number of values compared. ``no_file_if_empty``: ``other`` has no file for a table without rows."""
    expected = set(KEYS)
    assert names(one) == expected
    if no_file_if_empty:
        expected = {name for name in KEYS if table(one, name).height}
    assert names(other) == expected
    n = 0
    for name in sorted(expected):
        a, b = table(one, name), table(other, name)
        numbers = [column for column, kind in a.schema.items() if kind == pl.Float64]
        exact = [column for column in a.columns if column not in numbers]
        # counts, codes, keys and text: the same; the width of whole numbers may differ
        assert_frame_equal(a.select(exact), b.select(exact), check_dtypes=False, check_exact=True)
        assert_frame_equal(a.select(numbers), b.select(numbers), check_exact=False, rel_tol=1e-12, abs_tol=1e-12)
        n += a.height * a.width
    return n
