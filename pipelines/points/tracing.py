"""Readings made from points: a delivery of landmarks also yields every measure that its points allow.

The measures are worked out before the checks, so that they are held against the same rules as values typed in. Points
of an earlier load that belong to the same tracing count too where this delivery does not speak of them; that is how a
few corrected points complete a tracing. Where several views of one reading give the same measure (the lip gap, say),
the first view in the catalogue's order that gives it is taken.

Lengths that only a film gives are kept as on the film: the published tables bring them to true size. All other lengths
are brought to true size here, with the enlargement that the visit states.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace

import polars as pl

from pipelines.contract.contract import Contract
from pipelines.contract.delivery import Delivery, ReadingAssumption
from warehouse.measures.formulae import WeightedTotal
from warehouse.measures.geometry import compute
from warehouse.measures.landmarks import ALIASES, VIEWS
from warehouse.measures.measure import Measure

POINTS = "landmarks"
READING_OF_POINTS = ("case_id", "timepoint", "examiner", "repeat_no")
TRACING = ("case_id", "timepoint", "view", "examiner", "repeat_no")
SAID_OF_RECORDS = ("magnification_pct", "image_scale_mm_per_px", "porion_kind", "gonion_kind")
_MOST_REASONS = 3


def from_points(catalogue: Mapping[str, Measure]) -> dict[str, Measure]:
    """The measures of a catalogue that are made from landmarks."""
    return {code: measure for code, measure in catalogue.items() if points_of(measure)}


def points_of(measure: Measure) -> tuple[str, ...]:
    """The landmarks a measure is made of; none where it is not made from landmarks."""
    formula = measure.formula
    return () if formula is None or isinstance(formula, WeightedTotal) else formula.points


def usual_codes(landmarks: pl.DataFrame) -> pl.DataFrame:
    """Landmarks by their usual codes."""
    return landmarks.with_columns(pl.col("landmark").replace(dict(ALIASES)))


def visits_of(deliveries: Iterable[Delivery], stored: pl.DataFrame | None, contract: Contract) -> pl.DataFrame | None:
    """What the visits say of their records: those of this load, else those of earlier loads.

    ``deliveries``: The files of the load. ``stored``: Visits of the store by ``case_id`` (the case key) and
    ``timepoint``; None where there is no store. ``contract``: Gives the limits outside which an enlargement or scale is
    not used.

    Returns: One row a case and time with ``magnification_pct``, ``image_scale_mm_per_px``, ``porion_kind`` and
    ``gonion_kind``; None where no visit is known.
    """
    given = [one.tables["visits"] for one in deliveries if "visits" in one.tables]
    frames = [_said(frame) for frame in [*given, *([] if stored is None else [stored])]]
    if not frames:
        return None
    together = pl.concat(frames, how="vertical_relaxed").drop_nulls(["case_id", "timepoint"])
    limits = {column.name: (column.min, column.max) for column in contract.table("visits").columns}
    usable = [
        pl.when(pl.col(name).is_between(*limits[name])).then(pl.col(name)).alias(name)
        for name in ("magnification_pct", "image_scale_mm_per_px")
    ]
    return together.unique(["case_id", "timepoint"], keep="first", maintain_order=True).with_columns(usable)


def _said(visits: pl.DataFrame) -> pl.DataFrame:
    number = ("magnification_pct", "image_scale_mm_per_px")
    return visits.select(
        pl.col("case_id").cast(pl.String),
        pl.col("timepoint").cast(pl.String),
        *(
            (pl.col(name) if name in visits.columns else pl.lit(None))
            .cast(pl.Float64 if name in number else pl.String)
            .alias(name)
            for name in SAID_OF_RECORDS
        ),
    )


def with_readings(
    delivery: Delivery, *, stored: pl.DataFrame | None, visits: pl.DataFrame | None, catalogue: Mapping[str, Measure]
) -> Delivery:
    """A delivery of points with the readings that follow from them.

    ``delivery``: A delivery of the layout ``points``; another is given back as it is. ``stored``: Points of the store,
    columns as in ``landmarks``; None where there are none. ``visits``: What the visits say of the records, see
    :func:`visits_of`. ``catalogue``: The measures.

    Returns: The delivery with the table ``readings`` beside ``landmarks``: ``row`` is the first row of the reading's
    points. ``value_views`` says which view each value came from.
    """
    if POINTS not in delivery.tables:
        return delivery
    points = _usable(delivery.tables[POINTS])
    if points.is_empty():
        return delivery
    known = pl.concat([points.drop("row"), *_completing(points, stored)], how="vertical_relaxed")
    measured = _measured(known, visits, from_points(catalogue))
    wide, views = _one_value_a_reading(measured, catalogue)
    first = points.group_by(READING_OF_POINTS, maintain_order=True).agg(pl.col("row").min())
    keyed = first.select("row", *READING_OF_POINTS)
    readings = keyed.join(wide, on=list(READING_OF_POINTS), how="left", maintain_order="left")
    seen = keyed.join(views, on=list(READING_OF_POINTS), how="left", maintain_order="left")
    return replace(
        delivery,
        tables={**delivery.tables, "readings": readings},
        value_views=seen.select(seen.columns[1 + len(READING_OF_POINTS) :]),
        assumptions=(*delivery.assumptions, *_notes(measured, readings)),
    )


def _usable(landmarks: pl.DataFrame) -> pl.DataFrame:
    """Points whose place in the data is known; others are turned away by the checks."""
    known = landmarks.drop_nulls([*TRACING, "landmark", "x", "y"])
    return known.filter(pl.col("view").is_in(VIEWS)).select(
        "row", *TRACING, "landmark", "x", "y", "unit", "y_axis", "faces"
    )


def _completing(points: pl.DataFrame, stored: pl.DataFrame | None) -> list[pl.DataFrame]:
    """Stored points of the same tracings that the delivery does not give anew."""
    if stored is None or stored.is_empty():
        return []
    same = usual_codes(stored).join(points.select(TRACING).unique(), on=list(TRACING), how="semi")
    given = usual_codes(points).select(*TRACING, "landmark")
    further = same.join(given, on=[*TRACING, "landmark"], how="anti")
    return [further.select([name for name in points.columns if name != "row"])]


def _measured(points: pl.DataFrame, visits: pl.DataFrame | None, measures: Mapping[str, Measure]) -> pl.DataFrame:
    """The measures in long form; lengths of the film as on the film."""
    on_film = {code: measure for code, measure in measures.items() if measure.on_film}
    others = {code: measure for code, measure in measures.items() if not measure.on_film}
    plain = None if visits is None else visits.drop("magnification_pct")
    lengths = compute(points, plain, measures=on_film).with_columns(caution=pl.lit(None, dtype=pl.String))
    return pl.concat([compute(points, visits, measures=others), lengths])


def _one_value_a_reading(measured: pl.DataFrame, catalogue: Mapping[str, Measure]) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Values side by side, one row a reading, and the view each came from."""
    by_view = {
        view: _side_by_side(measured.filter(pl.col("view") == view))
        for view in VIEWS
        if (measured["view"] == view).any()
    }
    key = list(READING_OF_POINTS)
    joined = pl.concat([frame.select(key) for frame in by_view.values()]).unique(maintain_order=True)
    for view, frame in by_view.items():
        marked = frame.rename({code: f"{code}@{view}" for code in frame.columns if code not in key})
        joined = joined.join(marked, on=key, how="left", maintain_order="left")
    codes = [code for code in catalogue if any(code in frame.columns for frame in by_view.values())]
    order = {code: [view for view in catalogue[code].views if code in by_view.get(view, joined)] for code in codes}
    wide = joined.select(*key, *(pl.coalesce(f"{code}@{view}" for view in order[code]).alias(code) for code in codes))
    views = joined.select(*key, *(_first_view(code, order[code]).alias(code) for code in codes))
    return wide, views


def _side_by_side(measured: pl.DataFrame) -> pl.DataFrame:
    """One row a tracing of one view, one column a measure; ``compute`` gives tracings in one order for each measure."""
    by_measure = measured.partition_by("measure", as_dict=True, maintain_order=True)
    frames = {str(code): frame for (code,), frame in by_measure.items()}
    keys = next(iter(frames.values())).select(READING_OF_POINTS)
    return keys.with_columns(frame["value"].alias(code) for code, frame in frames.items())


def _first_view(code: str, views: Sequence[str]) -> pl.Expr:
    if len(views) == 1:
        return pl.lit(views[0])
    return pl.coalesce(pl.when(pl.col(f"{code}@{view}").is_not_null()).then(pl.lit(view)) for view in views)


def _notes(measured: pl.DataFrame, readings: pl.DataFrame) -> list[ReadingAssumption]:
    """What was made of the points, what could not be and why, and where the enlargement is not known."""
    made = sum(1 for name in readings.columns[5:] if readings[name].null_count() < readings.height)
    notes = [
        ReadingAssumption(
            "measures",
            f"{made} measures of {readings.height:,} readings, made from their points",
            "values typed in beside them for the same reading give way",
        )
    ]
    reasons = measured["reason"].drop_nulls().value_counts(sort=True, name="n")
    for reason, n in reasons.head(_MOST_REASONS).iter_rows():
        notes.append(ReadingAssumption("not measurable", f"{n:,} values", str(reason).removeprefix("not measurable: ")))
    unsure = measured.filter(pl.col("caution").is_not_null(), pl.col("value").is_not_null())
    for caution, n in unsure["caution"].value_counts(sort=True, name="n").head(_MOST_REASONS).iter_rows():
        notes.append(ReadingAssumption("caution", f"{n:,} values", str(caution)))
    return notes


def without_points_turned_away(
    delivery: Delivery, kept: pl.DataFrame, turned: pl.Series, catalogue: Mapping[str, Measure]
) -> pl.DataFrame:
    """The readings of a delivery of points, less the values made from points that were turned away.

    ``delivery``: The delivery, with readings. ``kept``: Its points that stay. ``turned``: Rows of the file that are
    turned away. ``catalogue``: The measures.

    Returns: The readings that keep a value; ``row`` is the first row that is left of a reading, ``computed`` lists the
    measures made from its points, joined by spaces.
    """
    readings = delivery.tables["readings"]
    codes = [code for code in readings.columns if code in catalogue]
    away = delivery.tables[POINTS].filter(pl.col("row").is_in(turned.implode()))
    if away.height:
        readings = _blanked(readings, delivery, usual_codes(away), codes, catalogue)
    first = kept.group_by(READING_OF_POINTS).agg(pl.col("row").min())
    left = readings.drop("row").join(first, on=list(READING_OF_POINTS), how="inner", maintain_order="left")
    listed = pl.concat_str(
        [pl.when(pl.col(code).is_not_null()).then(pl.lit(code)) for code in codes], separator=" ", ignore_nulls=True
    )
    return (
        left.with_columns(computed=listed)
        .filter(pl.col("computed") != "")
        .select("row", *READING_OF_POINTS, *codes, "computed")
    )


def _blanked(
    readings: pl.DataFrame,
    delivery: Delivery,
    away: pl.DataFrame,
    codes: Sequence[str],
    catalogue: Mapping[str, Measure],
) -> pl.DataFrame:
    columns = []
    for code in codes:
        lost = away.filter(pl.col("landmark").is_in(points_of(catalogue[code]))).select(TRACING).unique()
        if lost.is_empty():
            continue
        placed = readings.select(READING_OF_POINTS).with_columns(delivery.value_views[code].alias("view"))
        marked = placed.join(
            lost.with_columns(lost=pl.lit(value=True)), on=list(TRACING), how="left", maintain_order="left"
        )
        columns.append(pl.select(pl.when(marked["lost"].is_null()).then(readings[code]).alias(code))[code])
    return readings.with_columns(columns)
