"""A numeric design matrix from a frame of cases and a list of covariates.

Own code: the formula libraries drop rows silently or raise on a level that is absent; here every case left out is
counted with its reason, a column that says nothing is taken out with a caution, and names do not depend on row order.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from types import MappingProxyType

import numpy as np
import polars as pl

from warehouse.analysis.inputs import Covariate
from warehouse.analysis.spline import BoolArray, FloatArray, quantile_knots, restricted_cubic_spline
from warehouse.errors import RequestError, near_names
from warehouse.results import Caution

INTERCEPT = "intercept"
_ALIASED = 1e-9  # share of a column's variance that the columns before it must leave unexplained


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Design:
    """A design matrix and an account of the cases in and out of it."""

    matrix: FloatArray  # Shape `(n, p)`; the first column is the intercept
    # The `p` column names: `intercept`, `age`, `age'` and `age''` for the curved parts of a spline,
    # `incisor_class=III` for a level
    names: tuple[str, ...]
    covariates: tuple[str, ...]  # The variables asked for, in the order given
    kept: BoolArray  # Which of the frame's rows are in the matrix, shape `(rows,)`
    # Reason -> rows left out; a row is counted once, under the first covariate it lacks
    left_out: Mapping[str, int] = field(default_factory=lambda: MappingProxyType({}))
    warnings: tuple[Caution, ...] = ()  # Cautions, e.g. a column that was taken out because it says nothing.

    @property
    def n(self) -> int:
        """Number of cases in the matrix."""
        return int(self.matrix.shape[0])


@dataclass(frozen=True, slots=True)
class _Columns:
    """The columns one covariate adds."""

    values: FloatArray
    names: tuple[str, ...]
    warnings: tuple[Caution, ...] = ()


def build_design(
    frame: pl.DataFrame, covariates: Sequence[Covariate | str], *, among: BoolArray | None = None
) -> Design:
    """Design matrix of ``covariates``, complete cases only.

    Policy for missing values: a case that lacks any covariate (null, not a number or infinite) is left out and counted
    by reason. That is unbiased where lacking a covariate has nothing to do with the outcome given the covariates; the
    counts let the reader judge.

    ``among``: rows to consider, shape ``(rows,)``; others are out without being counted. Gives the design; with no row
    or no covariate the matrix still has its intercept. Raises RequestError where a column or reference level does not
    exist, a name is given twice, or text was called a number.
    """
    wanted = [Covariate(name=item) if isinstance(item, str) else item for item in covariates]
    _check_names(frame, wanted)
    considered = np.ones(frame.height, dtype=bool) if among is None else among
    kept, left_out = _complete_rows(frame, wanted, considered)
    rows = frame.select([item.name for item in wanted]).filter(pl.Series(kept)) if wanted else None
    blocks = [] if rows is None else [_columns(rows[item.name], item) for item in wanted]
    matrix = side_by_side(np.ones(int(kept.sum())), *(block.values for block in blocks))
    names = (INTERCEPT, *(name for block in blocks for name in block.names))
    useful = independent_columns(matrix)
    cautions = [caution for block in blocks for caution in block.warnings] + _aliased_cautions(names, useful)
    return Design(
        matrix=matrix if useful.all() else np.asfortranarray(matrix[:, useful]),
        names=tuple(name for name, use in zip(names, useful, strict=True) if use),
        covariates=tuple(item.name for item in wanted),
        kept=kept,
        left_out=MappingProxyType(left_out),
        warnings=tuple(cautions),
    )


def side_by_side(*columns: FloatArray) -> FloatArray:
    """Columns and matrices side by side as :func:`numpy.column_stack` puts them, a column in one piece in memory.

    Every method walks down columns; with very many cases it takes several times as long across rows.
    """
    pieces = [column[None, :] if column.ndim == 1 else column.T for column in columns]
    return np.vstack(pieces).T


def independent_columns(matrix: FloatArray) -> BoolArray:
    """Which columns are not a linear combination of the columns before them, shape ``(p,)``.

    A constant column after the intercept is such a combination. With no row, only the first column is kept.
    """
    n, p = matrix.shape
    if n == 0:
        return np.isin(np.arange(p), [0])
    centred = matrix - np.where(np.arange(p) > 0, matrix.mean(axis=0), 0.0)
    gram = centred.T @ centred
    size = np.sqrt(np.diagonal(gram))
    varies = size > 1e-8 * np.sqrt(np.sum(matrix**2, axis=0))
    correlation = gram / np.outer(np.where(varies, size, 1.0), np.where(varies, size, 1.0))
    kept: list[int] = []
    for j in np.flatnonzero(varies):
        explained = 0.0
        if kept:
            shared = correlation[kept, j]
            explained = float(shared @ np.linalg.solve(correlation[np.ix_(kept, kept)], shared))
        if correlation[j, j] - explained > _ALIASED:
            kept.append(int(j))
    return np.isin(np.arange(p), kept)


def _check_names(frame: pl.DataFrame, wanted: Sequence[Covariate]) -> None:
    for item in wanted:
        require_column(frame, item.name)
    names = [item.name for item in wanted]
    twice = sorted({name for name in names if names.count(name) > 1})
    if twice:
        found = f"Covariates given twice: {', '.join(twice)}."
        raise RequestError(found, expected="each covariate once", remedy="take the repetition out")


def require_column(frame: pl.DataFrame, name: str) -> None:
    """Refuse a column that the frame does not have, offering near names.

    Raises RequestError where ``name`` is not a column of ``frame``.
    """
    if name not in frame.columns:
        found = f"There is no column {name!r}."
        hint = near_names(name, frame.columns) or "choose one of the columns that exist"
        raise RequestError(found, expected=", ".join(sorted(frame.columns)), remedy=hint)


def missing_rows(column: pl.Series) -> BoolArray:
    """Which entries are null, not a number or infinite, shape ``(rows,)``."""
    missing = column.is_null()
    if column.dtype.is_float():
        missing = missing | ~column.is_finite().fill_null(value=False)
    return np.asarray(missing.to_numpy(), dtype=np.bool_)


def _complete_rows(
    frame: pl.DataFrame, wanted: Sequence[Covariate], considered: BoolArray
) -> tuple[BoolArray, dict[str, int]]:
    kept = considered.copy()
    left_out: dict[str, int] = {}
    for item in wanted:
        lacking = kept & missing_rows(frame[item.name])
        if lacking.any():
            left_out[f"{item.name} missing"] = int(lacking.sum())
            kept &= ~lacking
    return kept, left_out


def _columns(column: pl.Series, item: Covariate) -> _Columns:
    kind = item.kind or ("number" if column.dtype.is_numeric() or column.dtype == pl.Boolean else "category")
    if kind == "category":
        return _category(column, item)
    values = numbers(column)
    return _spline(values, item) if kind == "spline" else _number(values, item)


def numbers(column: pl.Series) -> FloatArray:
    """A numeric or true/false column as floats; null becomes NaN.

    Raises RequestError where the column holds text.
    """
    if not (column.dtype.is_numeric() or column.dtype in {pl.Boolean, pl.Null}):
        found = f"The column {column.name!r} holds {column.dtype}, not numbers."
        raise RequestError(found, expected="a number or true/false", remedy="treat it as a category")
    return column.cast(pl.Float64).fill_null(float("nan")).to_numpy().astype(np.float64, copy=False)


def _number(values: FloatArray, item: Covariate) -> _Columns:
    scaled = _standardised(values) if item.standardise else values
    return _Columns(scaled[:, None], (item.name,))


def _standardised(values: FloatArray) -> FloatArray:
    spread = float(np.std(values, ddof=1)) if values.size > 1 else 0.0
    return (values - values.mean()) / spread if spread > 0 else values - (values.mean() if values.size else 0.0)


def _spline(values: FloatArray, item: Covariate) -> _Columns:
    scaled = _standardised(values) if item.standardise else values
    knots = quantile_knots(scaled, item.n_knots)
    if len(knots) < 3:
        return _Columns(
            scaled[:, None], (item.name,), (Caution("approximation", "too_few_values_for_curve", {"name": item.name}),)
        )
    basis = restricted_cubic_spline(scaled, knots)
    return _Columns(basis, tuple(item.name + "'" * j for j in range(basis.shape[1])))


def _category(column: pl.Series, item: Covariate) -> _Columns:
    text = column.cast(pl.String)
    levels = sorted(text.unique().to_list())
    reference = item.reference if item.reference is not None else (levels[0] if levels else None)
    if levels and reference not in levels:
        found = f"The reference level {reference!r} of {item.name!r} does not occur."
        raise RequestError(found, expected=", ".join(levels), remedy=near_names(str(reference), levels))
    others = [level for level in levels if level != reference]
    values = [(text == level).to_numpy().astype(np.float64) for level in others]
    matrix = np.column_stack(values) if values else np.empty((len(text), 0))
    return _Columns(matrix, tuple(f"{item.name}={level}" for level in others))


def _aliased_cautions(names: Sequence[str], useful: BoolArray) -> list[Caution]:
    gone = [name for name, use in zip(names, useful, strict=True) if not use]
    if not gone:
        return []
    return [Caution("approximation", "aliased_columns", {"names": tuple(gone)})]
