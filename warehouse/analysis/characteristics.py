"""The table of starting characteristics by group, with standardised differences, in the usual layout for publication.

No p values: groups of an audit are not random samples, and a test would say how many cases there are, not how unlike.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from math import sqrt

import numpy as np
import polars as pl

from warehouse.analysis.balance import standardised
from warehouse.analysis.design import missing_rows, numbers, require_column
from warehouse.analysis.spline import FloatArray
from warehouse.results import Caution


@dataclass(frozen=True, slots=True, kw_only=True)
class NumberSummary:
    """A numeric variable in one group; everything but the counts is None without a known value."""

    n: int  # Cases with a value
    missing: int  # Cases without
    mean: float | None  # Arithmetic mean
    sd: float | None  # Standard deviation (n - 1); None for fewer than two cases
    median: float | None  # Middle value
    quartiles: tuple[float, float] | None  # Lower and upper quartile (linear interpolation, Hyndman & Fan type 7)


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelSummary:
    """A level of a category in one group: ``count`` of the ``n`` known, and the ``share`` (None if none is known)."""

    count: int
    n: int
    missing: int
    share: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class CharacteristicRow:
    """One line of the table."""

    variable: str  # The column
    level: str  # The level of a category; empty for a number
    cells: tuple[NumberSummary | LevelSummary, ...]  # One summary a group, in the order of the table's groups
    # Of the whole variable, repeated on each of its levels; with more than two groups the largest of all pairs;
    # always positive; None where it cannot be had
    standardised_difference: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class StartingTable:
    """Starting characteristics by group; ``sizes`` are the cases of each group, ``ungrouped`` those of none."""

    groups: tuple[str, ...]
    sizes: tuple[int, ...]
    ungrouped: int
    rows: tuple[CharacteristicRow, ...]
    warnings: tuple[Caution, ...]


def starting_characteristics(
    frame: pl.DataFrame, *, group: str, variables: Sequence[str], groups: Sequence[str] | None = None
) -> StartingTable:
    """Summaries of every variable in every group.

    A number is compared by |m1 - m2| / sqrt((s1^2 + s2^2) / 2); a category by the distance of its vectors of shares in
    units of their pooled multinomial covariance (Yang & Dalton 2012), which for two levels is the usual one. Missing
    values are counted in each cell and otherwise left out.

    ``group``: column of the groups, compared as text. ``variables``: columns to describe; numbers as numbers, text and
    true/false as categories. ``groups``: groups in the order wanted; None is all, alphabetically. Gives the table; a
    group without cases has empty cells and a warning. Raises RequestError where a column does not exist.

    Source: Yang & Dalton 2012, SAS Global Forum, paper 335 (from memory).
    """
    for name in (group, *variables):
        require_column(frame, name)
    belongs = frame[group].cast(pl.String)
    wanted = tuple(groups) if groups is not None else tuple(sorted(belongs.drop_nulls().unique().to_list()))
    parts = [frame.filter(belongs == label) for label in wanted]
    rows = [row for name in variables for row in _rows(name, [part[name] for part in parts])]
    empty = [label for label, part in zip(wanted, parts, strict=True) if part.height == 0]
    return StartingTable(
        groups=wanted,
        sizes=tuple(part.height for part in parts),
        ungrouped=frame.height - sum(part.height for part in parts),
        rows=tuple(rows),
        warnings=(Caution("no_data", "no_case_in", {"names": tuple(empty)}),) if empty or not wanted else (),
    )


def _rows(name: str, columns: list[pl.Series]) -> list[CharacteristicRow]:
    if columns and columns[0].dtype.is_numeric():
        return [_number_row(name, columns)]
    return _level_rows(name, columns)


def _number_row(name: str, columns: list[pl.Series]) -> CharacteristicRow:
    cells = tuple(_number_summary(numbers(column)) for column in columns)
    gaps = [_number_gap(a, b) for a, b in combinations(cells, 2)]
    return CharacteristicRow(variable=name, level="", cells=cells, standardised_difference=_most(gaps))


def _number_summary(values: FloatArray) -> NumberSummary:
    known = values[np.isfinite(values)]
    missing = values.size - known.size
    if known.size == 0:
        return NumberSummary(n=0, missing=missing, mean=None, sd=None, median=None, quartiles=None)
    low, middle, high = (float(q) for q in np.quantile(known, [0.25, 0.5, 0.75]))
    return NumberSummary(
        n=known.size, missing=missing, mean=float(known.mean()), sd=_sd(known), median=middle, quartiles=(low, high)
    )


def _sd(values: FloatArray) -> float | None:
    if values.size < 2:
        return None
    return float(values.std(ddof=1)) if np.ptp(values) > 0.0 else 0.0


def _number_gap(a: NumberSummary, b: NumberSummary) -> float | None:
    if a.mean is None or b.mean is None:
        return None
    spread = ((a.sd or 0.0) ** 2 + (b.sd or 0.0) ** 2) / 2.0
    gap = standardised(a.mean - b.mean, spread)
    return None if gap is None else abs(gap)


def _level_rows(name: str, columns: list[pl.Series]) -> list[CharacteristicRow]:
    texts = [column.cast(pl.String) for column in columns]
    levels = sorted({level for text in texts for level in text.drop_nulls().unique().to_list()})
    counts = [_counts(text, levels) for text in texts]
    missing = [int(missing_rows(column).sum()) for column in columns]
    gap = _most([level_gap(a, b) for a, b in combinations(counts, 2)])
    return [
        CharacteristicRow(
            variable=name,
            level=level,
            cells=tuple(_level_summary(count, j, gone) for count, gone in zip(counts, missing, strict=True)),
            standardised_difference=gap,
        )
        for j, level in enumerate(levels)
    ]


def _counts(text: pl.Series, levels: list[str]) -> FloatArray:
    table = dict(text.drop_nulls().value_counts().iter_rows())
    return np.array([table.get(level, 0) for level in levels], dtype=np.float64)


def _level_summary(counts: FloatArray, j: int, missing: int) -> LevelSummary:
    n = int(counts.sum())
    return LevelSummary(count=int(counts[j]), n=n, missing=missing, share=float(counts[j]) / n if n else None)


def level_gap(counts_a: FloatArray, counts_b: FloatArray) -> float | None:
    """Standardised difference of a category between two groups.

    Formula: sqrt(d' S^-1 d), d the difference of the shares of all levels but one, S the mean of the two multinomial
    covariances.

    ``counts_a``: cases of each level in one group, shape ``(levels,)``. ``counts_b``: the same in the other. At least
    0; None if a group is empty, or if the groups have no level in common so that it is infinite.
    """
    if counts_a.sum() == 0 or counts_b.sum() == 0:
        return None
    p, q = counts_a / counts_a.sum(), counts_b / counts_b.sum()
    used = (p + q) > 0
    gap = (p - q)[used][1:]
    if not gap.any():
        return 0.0
    pooled = sum(np.diag(share[used][1:]) - np.outer(share[used][1:], share[used][1:]) for share in (p, q)) / 2.0
    inverse = np.linalg.pinv(pooled, hermitian=True)
    if not np.allclose(pooled @ inverse @ gap, gap, atol=1e-9):
        return None
    return sqrt(max(0.0, float(gap @ inverse @ gap)))


def _most(gaps: list[float | None]) -> float | None:
    known = [gap for gap in gaps if gap is not None]
    return max(known) if known and len(known) == len(gaps) else None
