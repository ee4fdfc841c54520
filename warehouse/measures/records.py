"""What the records say about their own making: enlargement, scale, kinds of porion and gonion.

Adds to each tracing the factor to true millimetres and the words that keep unlike values apart: the variant of a
measure and the caution against comparing it between times.

Enlargement: true length = length on the film / (1 + m / 100). A scale for pixels taken from a ruler or rod *in the
midline of the head* already holds the enlargement; state a magnification of 0 with such a scale.
"""

from collections.abc import Sequence

import polars as pl

from warehouse.errors import RequestError
from warehouse.measures.landmarks import LATERAL

_TIME = ("case_id", "timepoint")
_SCALE = "image_scale_mm_per_px"
_OPTIONAL = {"magnification_pct": pl.Float64, _SCALE: pl.Float64, "porion_kind": pl.String, "gonion_kind": pl.String}
_PARTS = {"gonion_kind": "gonion_caution", "porion_kind": "porion_caution", "magnification_pct": "size_caution"}
_WORDS = {"gonion_kind": "gonion kind", "porion_kind": "porion kind", "magnification_pct": "enlargement"}


def describe_records(
    keys: pl.DataFrame, visits: pl.DataFrame | None, view: str, *, sharing: pl.DataFrame
) -> pl.DataFrame:
    """Add what the visits say to the tracings of one view.

    ``keys``: one row a tracing, as made by ``gather_tracings``. ``visits``: one row a case and time, or None. Columns
    that are missing count as not stated. ``sharing``: the cases and times whose scale cannot be used, see
    :func:`pictures_sharing_a_scale`. Gives ``keys`` in the same order with ``to_mm`` (factor to millimetres, null where
    there is none), ``no_mm`` (why there is none), ``gonion``, ``porion``, ``size`` (variant words) and
    ``gonion_caution``, ``porion_caution``, ``size_caution`` (text or null). Raises RequestError: ``visits`` holds a
    case and time twice.
    """
    lateral = view == LATERAL
    stated = _with_scale(_with_visits(keys, visits), sharing)
    stated = stated.with_columns(
        to_mm=_to_mm(lateral=lateral),
        no_mm=_no_mm(),
        gonion=_kind("gonion"),
        porion=_kind("porion"),
        size=_size(lateral=lateral),
    )
    if not lateral or visits is None:
        stated = stated.with_columns(pl.lit(None, pl.String).alias(caution) for caution in _PARTS.values())
    else:
        cautions = _cautions_between_times(stated)
        stated = stated.join(cautions, on="case_id", how="left", nulls_equal=True, maintain_order="left")
    return stated.with_columns(size_caution=_size_caution()) if lateral else stated


def _with_visits(keys: pl.DataFrame, visits: pl.DataFrame | None) -> pl.DataFrame:
    """The tracings with the visits' columns; the visit's scale gets the ending ``_visit``."""
    if visits is None:
        nothing = {name.replace(_SCALE, f"{_SCALE}_visit"): kind for name, kind in _OPTIONAL.items()}
        return keys.with_columns(pl.lit(None, kind).alias(name) for name, kind in nothing.items())
    known = visits.select(
        *(pl.col(name).cast(keys.schema[name], strict=False) for name in _TIME),
        *(
            (pl.col(name) if name in visits.columns else pl.lit(None)).cast(kind).alias(name)
            for name, kind in _OPTIONAL.items()
        ),
    )
    if known.select(pl.struct(_TIME).is_duplicated().any()).item():
        message = "The visits hold a case and time twice."
        raise RequestError(message, where="visits", expected="one row a case and time", remedy="remove one of them")
    enlargement = pl.col("magnification_pct")
    known = known.with_columns(pl.when(enlargement.is_finite() & (enlargement > -50.0)).then(enlargement))
    return keys.join(known, on=list(_TIME), how="left", nulls_equal=True, maintain_order="left", suffix="_visit")


def pictures_sharing_a_scale(keys: Sequence[pl.DataFrame]) -> pl.DataFrame:
    """The cases and times with pictures in pixels in more than one view.

    A visit states one scale; it cannot be right for a radiograph and a photo alike. ``keys`` has one frame a view;
    gives ``case_id, timepoint``, each once.
    """
    seen = [frame.filter(pl.col("unit") == "px").select(_TIME).unique() for frame in keys]
    seen = [frame for frame in seen if frame.height]
    if len(seen) < 2:
        return keys[0].select(_TIME).clear() if keys else pl.DataFrame(schema=list(_TIME))
    return pl.concat(seen).filter(pl.struct(_TIME).is_duplicated()).unique()


def _with_scale(stated: pl.DataFrame, shared: pl.DataFrame) -> pl.DataFrame:
    """The scale of each tracing: its own, or else the visit's where it can only mean this picture."""
    marked = shared.with_columns(shares_scale=pl.lit(True))
    stated = stated.join(marked, on=list(_TIME), how="left", nulls_equal=True, maintain_order="left")
    of_visit = pl.when(pl.col("shares_scale").is_null()).then(f"{_SCALE}_visit")
    scale = pl.coalesce(_SCALE, of_visit)
    return stated.with_columns(pl.when(scale.is_finite() & (scale > 0.0)).then(scale).alias(_SCALE))


def _to_mm(*, lateral: bool) -> pl.Expr:
    factor = pl.when(pl.col("unit") == "mm").then(1.0).otherwise(pl.col(_SCALE))
    return factor / (1.0 + pl.col("magnification_pct").fill_null(0.0) / 100.0) if lateral else factor


def _no_mm() -> pl.Expr:
    lacking = (pl.col("unit") != "mm") & pl.col(_SCALE).is_null()
    doubtful = pl.col("shares_scale").is_not_null() & pl.col(f"{_SCALE}_visit").is_not_null()
    return (
        pl.when(lacking & doubtful)
        .then(pl.lit("not measurable: the visit states one scale for two pictures; state it with the points"))
        .when(lacking)
        .then(pl.lit("not measurable: the points are in pixels and no scale is given"))
    )


def _kind(point: str) -> pl.Expr:
    return pl.format(f"{point} {{}}", pl.col(f"{point}_kind").fill_null("kind not stated"))


def _size(*, lateral: bool) -> pl.Expr:
    if not lateral:
        return pl.lit("as in the photo")
    known = pl.col("magnification_pct").is_not_null()
    return pl.when(known).then(pl.lit("true size")).otherwise(pl.lit("as on the film"))


def _cautions_between_times(stated: pl.DataFrame) -> pl.DataFrame:
    """One row a case seen more than once: for each part, a text where its times do not agree."""
    times = stated.select("case_id", "timepoint", *_PARTS).unique(["case_id", "timepoint"])
    several = times.filter(pl.col("case_id").is_duplicated())
    bounds = several.group_by("case_id").agg(
        expression
        for column in _PARTS
        for expression in (
            pl.col(column).min().alias(f"{column}_low"),
            pl.col(column).max().alias(f"{column}_high"),
            pl.col(column).is_null().any().alias(f"{column}_lacking"),
        )
    )
    return bounds.select("case_id", *(_disagreement(column).alias(caution) for column, caution in _PARTS.items()))


def _disagreement(column: str) -> pl.Expr:
    words = _WORDS[column]
    low, high = pl.col(f"{column}_low"), pl.col(f"{column}_high")
    ending = " %" if column == "magnification_pct" else ""
    shown = [bound.cast(pl.String).str.strip_suffix(".0") for bound in (low, high)]
    return (
        pl.when(pl.col(f"{column}_lacking") & low.is_not_null())
        .then(pl.lit(f"{words} is stated at some times only: do not compare between times"))
        .when(low != high)
        .then(pl.format(f"{words} differs between times ({{}}{ending} and {{}}{ending})", *shown))
    )


def _size_caution() -> pl.Expr:
    between = pl.col("size_caution")
    return (
        pl.when(pl.col("magnification_pct").is_null() & between.is_null())
        .then(pl.lit("enlargement of the radiograph is not stated: the value is as on the film"))
        .when(between.str.starts_with("enlargement differs"))
        .then(pl.format("{}: each value was brought to true size", between))
        .otherwise(between)
    )
