"""The changes themselves beside the classes: how far every counted case moved, in bins that meet at the threshold."""

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from warehouse.analysis.change import mean_change
from warehouse.marts.reader import Reader
from warehouse.outcomes.definition import ChangePart, Definition
from warehouse.questions.threshold import counted_changes
from warehouse.repeats.error_band import ErrorBand, error_band
from warehouse.results import Estimate
from warehouse.selection import Selection

WIDTHS = (0.1, 0.25, 0.5, 1.0, 2.0, 5.0)
MOST_BINS = 60


@dataclass(frozen=True, slots=True)
class ChangeBin:
    """Cases whose change lies from ``low`` to below ``high``, by class."""

    low: float
    high: float
    n_adverse: int
    n_not_adverse: int


@dataclass(frozen=True, slots=True, kw_only=True)
class ChangePicture:
    """The changes that a definition compares with its threshold, turned so that more is worse."""

    definition: Definition
    part: ChangePart | None  # Its change part; None where it has several parts, and then there is nothing to draw
    label: str  # Name of the measure
    unit: str
    bins: tuple[ChangeBin, ...]  # Ascending; one edge is the threshold
    n: int  # Cases counted
    n_beyond: int  # Cases at or beyond the threshold
    n_within_error: int  # Of those, cases not adverse because the change is within measuring error
    mean: Estimate  # Mean change with its interval
    quartiles: tuple[float, float, float] | None  # Lower quartile, median, upper quartile; None without a case
    band: ErrorBand  # Measuring error


def change_picture(
    reader: Reader, *, selection: Selection, definition: str | None = None, changes: pl.DataFrame | None = None
) -> ChangePicture | None:
    """The picture for the definition asked for; None where it has no single change to draw.

    ``changes`` are the counted changes where they have been read already.
    """
    chosen = reader.definition(definition)
    part = chosen.single_change
    if part is None:
        return None
    frame = counted_changes(reader, chosen, selection) if changes is None else changes
    values, adverse = frame["value"].to_numpy(), frame["is_adverse"].to_numpy()
    label, unit = _measure(reader, part.measures[0])
    beyond = values >= part.threshold
    return ChangePicture(
        definition=chosen,
        part=part,
        label=label,
        unit=unit,
        bins=binned(values, adverse, threshold=part.threshold),
        n=values.size,
        n_beyond=int(beyond.sum()),
        n_within_error=int((beyond & ~adverse).sum()),
        mean=mean_change(values, unit=unit),
        quartiles=_quartiles(values),
        band=error_band(reader, measure=part.measures[0], selection=selection),
    )


def binned(values: NDArray[np.float64], adverse: NDArray[np.bool_], *, threshold: float) -> tuple[ChangeBin, ...]:
    """Counts in equal bins of a round width; an edge lies at the threshold, so that no bin mixes both sides of it.

    ``values``: changes, shape ``(n,)``. ``adverse``: whether the case is adverse, shape ``(n,)``. ``threshold``: where
    an edge must lie. Gives bins from the lowest to the highest value, empty ones between them included; none without a
    value.
    """
    if values.size == 0:
        return ()
    width = _width(values)
    places = np.floor((values - threshold) / width + 1e-9).astype(int)
    first, last = int(places.min()), int(places.max())
    with_outcome = np.bincount(places[adverse] - first, minlength=last - first + 1)
    without = np.bincount(places[~adverse] - first, minlength=last - first + 1)
    return tuple(
        ChangeBin(threshold + place * width, threshold + (place + 1) * width, int(with_outcome[i]), int(without[i]))
        for i, place in enumerate(range(first, last + 1))
    )


def _quartiles(values: NDArray[np.float64]) -> tuple[float, float, float] | None:
    if values.size == 0:
        return None
    lower, median, upper = (float(one) for one in np.quantile(values, [0.25, 0.5, 0.75]))
    return lower, median, upper


def _width(values: NDArray[np.float64]) -> float:
    """The round width nearest to Freedman and Diaconis's (1981, from memory), with no more bins than can be seen."""
    low, high = np.quantile(values, [0.25, 0.75])
    wanted = 2.0 * float(high - low) / values.size ** (1 / 3)
    least = float(np.ptp(values)) / MOST_BINS
    wide_enough = [width for width in WIDTHS if width >= least] or [float(np.ceil(least))]
    return min(wide_enough, key=lambda width: abs(np.log(width / max(wanted, WIDTHS[0]))))


def _measure(reader: Reader, code: str) -> tuple[str, str]:
    rows = reader.connection.rows("select label, unit from mart_measures where measure = ?", [code])
    return rows[0] if rows else (code, "")
