"""From landmarks to measures: every measure of the catalogue that the points allow, for all cases at once."""

from __future__ import annotations

from collections.abc import Mapping
from typing import cast

import numpy as np
import polars as pl

from warehouse.measures.catalogue import CATALOGUE
from warehouse.measures.evaluation import Readings, ReasonTexts, evaluate
from warehouse.measures.formulae import LandmarkFormula, WeightedTotal
from warehouse.measures.measure import Measure
from warehouse.measures.records import describe_records, pictures_sharing_a_scale
from warehouse.measures.tracings import KEYS, Tracings, gather_tracings

RESULT_COLUMNS = (*KEYS, "measure", "value", "unit", "variant", "reason", "caution")
_ONE_FORM = "as defined"


def compute(
    landmarks: pl.DataFrame, visits: pl.DataFrame | None = None, *, measures: Mapping[str, Measure] = CATALOGUE
) -> pl.DataFrame:
    """Compute every measure that has a formula for the views at hand.

    Lengths are in millimetres: pixels are scaled, and lengths on a radiograph are brought to true size where the
    enlargement is stated (divided by 1 + magnification / 100). Angles and shares need neither.

    ``landmarks``: one row a point (columns as in ``tracings.gather_tracings``). ``visits``: one row a case and time
    with ``magnification_pct``, ``image_scale_mm_per_px``, ``porion_kind``, ``gonion_kind`` as far as known; None if
    nothing is known. ``measures``: the measures to compute; those without a formula from landmarks are passed over.
    Gives one row a tracing and measure: ``case_id, timepoint, view, examiner, repeat_no, measure, value, unit, variant,
    reason, caution``. ``value`` is null exactly where ``reason`` says why ("not measurable: ..."); it is never NaN.
    ``caution`` warns against comparing lengths or planes between times. Rows are grouped by measure, tracings in order
    of first appearance. No landmarks give no rows. Raises RequestError: a needed column is missing, a view is unknown,
    or visits hold a case and time twice.
    """
    gathered = gather_tracings(landmarks)
    sharing = pictures_sharing_a_scale([tracings.keys for tracings in gathered])
    parts: list[pl.DataFrame] = []
    for tracings in gathered:
        records = describe_records(tracings.keys, visits, tracings.view, sharing=sharing)
        parts += _measure_view(tracings, records, _measures_of_view(measures, tracings.view))
    return pl.concat(parts, rechunk=False) if parts else _no_rows(landmarks)


def _measures_of_view(measures: Mapping[str, Measure], view: str) -> list[Measure]:
    made = [entry for entry in measures.values() if entry.formula and not isinstance(entry.formula, WeightedTotal)]
    return [entry for entry in made if view in entry.views]


def _no_rows(landmarks: pl.DataFrame) -> pl.DataFrame:
    kinds = {name: landmarks.schema.get(name, pl.String()) for name in KEYS}
    texts = {name: pl.String() for name in ("measure", "unit", "variant", "reason", "caution")}
    schema = {**kinds, **texts, "value": pl.Float64()}
    return pl.DataFrame(schema={name: schema[name] for name in RESULT_COLUMNS})


def _measure_view(tracings: Tracings, records: pl.DataFrame, measures: list[Measure]) -> list[pl.DataFrame]:
    reasons = ReasonTexts()
    formulas = [cast("LandmarkFormula", entry.formula) for entry in measures]
    readings = evaluate(tracings.x, tracings.y, formulas, size=records.height, reasons=reasons)
    columns = _SharedColumns(records, tracings.view)
    return [_rows(entry, reading, reasons, records, columns) for entry, reading in zip(measures, readings, strict=True)]


def _rows(
    entry: Measure, reading: Readings, reasons: ReasonTexts, records: pl.DataFrame, columns: _SharedColumns
) -> pl.DataFrame:
    """The rows of one measure."""
    values = reading.values
    whys = [_reason(reading, reasons)]
    if entry.needs_scale:
        values = values * records["to_mm"].to_numpy()
        whys.append(records["no_mm"])
    if columns.says_something("fault"):
        values = np.where(records["fault"].is_null().to_numpy(), values, np.nan)
        whys.append(records["fault"])
    reason = _first_of(whys)
    value = pl.Series(values, nan_to_null=True)
    return pl.DataFrame(
        [
            *(records[name] for name in KEYS),
            columns.constant(entry.code).alias("measure"),
            value.alias("value"),
            columns.constant(entry.unit).alias("unit"),
            columns.variant(entry).alias("variant"),
            reason.alias("reason"),
            columns.caution(entry).alias("caution"),
        ]
    )


def _reason(reading: Readings, reasons: ReasonTexts) -> pl.Series:
    """The reason texts of one measure; null where there is a value."""
    if not reading.reasons.any():
        return pl.Series([None], dtype=pl.String).new_from_index(0, reading.reasons.size)
    texts = pl.Series([None, *reasons.texts[1:]], dtype=pl.String)
    return texts.gather(pl.Series(reading.reasons.astype(np.uint32)))


def _first_of(whys: list[pl.Series]) -> pl.Series:
    """The first reason given, the last list counting most: a fault of the whole tracing comes first."""
    given = [why for why in reversed(whys) if why.null_count() < len(why)]
    if not given:
        return whys[0]
    return pl.select(pl.coalesce(given)).to_series() if len(given) > 1 else given[0]


class _SharedColumns:
    """Text columns that many measures share, each made once."""

    __slots__ = ("_made", "_records", "_view")

    def __init__(self, records: pl.DataFrame, view: str) -> None:
        self._records = records
        self._view = view
        self._made: dict[tuple[str, ...], pl.Series] = {}

    def constant(self, text: str | None) -> pl.Series:
        """The same text for every tracing."""
        key = ("constant", text or "")
        if key not in self._made:
            self._made[key] = pl.Series([text], dtype=pl.String).new_from_index(0, self._records.height)
        return self._made[key]

    def variant(self, entry: Measure) -> pl.Series:
        """Which variant of the measure this is; never implicit."""
        fixed = [entry.from_points] if entry.from_points else []
        if len(entry.views) > 1:
            fixed.append(self._view.replace("_", " "))
        parts = _parts(entry)
        if not parts:
            return self.constant("; ".join(fixed) or _ONE_FORM)
        key = ("variant", *fixed, *parts)
        if key not in self._made:
            joined = pl.concat_str([*map(pl.lit, fixed), *map(pl.col, parts)], separator="; ")
            self._made[key] = self._records.select(joined.alias("variant"))["variant"]
        return self._made[key]

    def caution(self, entry: Measure) -> pl.Series:
        """What speaks against comparing the value between times, or null."""
        parts = [name for part in _parts(entry) if self.says_something(name := f"{part}_caution")]
        if not parts:
            return self.constant(None)
        key = ("caution", *parts)
        if key not in self._made:
            joined = pl.concat_str(map(pl.col, parts), separator="; ", ignore_nulls=True)
            caution = pl.when(joined != "").then(joined).alias("caution")
            self._made[key] = self._records.select(caution)["caution"]
        return self._made[key]

    def says_something(self, name: str) -> bool:
        """Whether a column of the records holds anything."""
        return self._records[name].null_count() < self._records.height


def _parts(entry: Measure) -> list[str]:
    """The columns of the records that tell variants of the measure apart."""
    points = cast("LandmarkFormula", entry.formula).points
    parts = [word for code, word in (("Po", "porion"), ("Go", "gonion")) if code in points]
    return [*parts, "size"] if entry.needs_scale else parts
