"""Array types and three small moves on arrays that every part of the invented cohort needs."""

from __future__ import annotations

from dataclasses import fields, replace
from typing import TYPE_CHECKING, Any, TypeAlias, TypeVar

import numpy as np
import polars as pl
from numpy.typing import NDArray

if TYPE_CHECKING:
    from collections.abc import Sequence

    from _typeshed import DataclassInstance

    Record = TypeVar("Record", bound=DataclassInstance)

FloatArray: TypeAlias = NDArray[np.float64]
IntArray: TypeAlias = NDArray[np.int64]
BoolArray: TypeAlias = NDArray[np.bool_]
ComplexArray: TypeAlias = NDArray[np.complex128]

CUT_OFF = 2.4


def take(record: Record, rows: IntArray | BoolArray | slice) -> Record:
    """The same record of arrays for some rows only; every field must be an array with one row a case."""
    picked: dict[str, Any] = {field.name: getattr(record, field.name)[rows] for field in fields(record)}
    return replace(record, **picked)


def bounded(n: int, sd: float, rng: np.random.Generator) -> FloatArray:
    """N normal draws around 0, cut off at 2.4 standard deviations, so that a million faces hold no monster."""
    drawn: FloatArray = np.clip(rng.standard_normal(n), -CUT_OFF, CUT_OFF) * sd
    return drawn


def choose(log_weights: FloatArray, rng: np.random.Generator) -> IntArray:
    """One column a row, drawn with probability proportional to exp(log_weights).

    The Gumbel-max way: add standard Gumbel noise and take the largest. Shape (n, k) -> (n,).
    """
    drawn: IntArray = np.argmax(log_weights + rng.gumbel(size=log_weights.shape), axis=1)
    return drawn


def coded(names: Sequence[str], index: IntArray, name: str = "") -> pl.Series:
    """The names at ``index`` as a text series; null where ``index`` is -1."""
    table = pl.Series(name, [*names, None], dtype=pl.String)
    return table.gather(np.where(index < 0, len(names), index))
