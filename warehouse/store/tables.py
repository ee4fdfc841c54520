"""What a query needs of the place it is asked in: DuckDB here (``storage.Connection``), a cluster elsewhere.

Statements are written in DuckDB's dialect and nowhere else. A place that speaks another one translates them
(``warehouse/engine/dialect.py``).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Protocol

if TYPE_CHECKING:
    from collections.abc import Sequence
    from contextlib import AbstractContextManager

    import polars as pl


class Tables(Protocol):
    """Tables that can be asked and added to. Parameters stand for the ``?`` of a statement, in order."""

    def execute(self, sql: str, parameters: Sequence[object] | None = None) -> None:
        """Run a statement whose result is not wanted."""

    def frame(self, sql: str, parameters: Sequence[object] | None = None) -> pl.DataFrame:
        """The rows of a query as a Polars frame."""

    def value(self, sql: str, parameters: Sequence[object] | None = None) -> Any:  # noqa: ANN401
        """The first value of the first row, or None where there is no row."""

    def rows(self, sql: str, parameters: Sequence[object] | None = None) -> list[tuple[Any, ...]]:
        """All rows of a query."""

    def columns(self, table: str) -> list[str]:
        """Names of the columns of a table, in order."""

    def given(self, **frames: pl.DataFrame) -> AbstractContextManager[None]:
        """Make frames readable as tables of these names inside the block."""

    def close(self) -> None:
        """Let go of what is open."""
