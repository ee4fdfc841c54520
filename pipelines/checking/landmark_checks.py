"""Checks on the points of a tracing: true where the point is right or the question does not arise.

A set is one view of one case at one time, marked by one examiner once. Where the axes of a set are wrong every point
of it is wrong, so all of them fail.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from pipelines.checking.case_checks import holds
from pipelines.checking.tables import combined
from warehouse.measures.landmarks import ALIASES, LANDMARKS, MAY_TOUCH, VIEWS
from warehouse.measures.point_order import points_out_of_order

if TYPE_CHECKING:
    from pipelines.checking.rules import Rule
    from pipelines.checking.tables import CheckedTables, Mask

SET = ("case", "timepoint", "view", "examiner", "repeat_no")
CHIN = ("Me", "Gn'")
BROW = ("N", "N'")
FRONT_OF = (("N", "S"), ("Prn", "N'"))
"""Pairs of which the first lies in front of the second in every face seen from the side."""


def _named(tables: CheckedTables) -> pl.DataFrame:
    """The points by usual code, with the number of their ``set``, ``up`` growing upwards, ``ahead`` to the front."""
    return tables["landmarks"].with_columns(
        combined(tables["landmarks"], SET).alias("set"),
        pl.col("landmark").replace(dict(ALIASES)),
        up=pl.when(pl.col("y_axis") == "down").then(-pl.col("y")).otherwise(pl.col("y")),
        ahead=pl.when(pl.col("faces") == "left").then(-pl.col("x")).otherwise(pl.col("x")),
    )


def _of(code: str, column: str) -> pl.Expr:
    """The position of one landmark of the set, beside every point of the set."""
    return pl.col(column).filter(pl.col("landmark") == code).first().over("set")


def _distance(one: str, other: str) -> pl.Expr:
    across, along = (_of(one, name) - _of(other, name) for name in ("x", "y"))
    return (across**2 + along**2).sqrt()


def landmark_shows_in_view(tables: CheckedTables, rule: Rule) -> Mask:
    """The point can be seen in the view."""
    pairs = [f"{point.code}|{view}" for point in LANDMARKS.values() for view in point.views]
    pairs += [f"{alias}|{view}" for alias, code in ALIASES.items() for view in LANDMARKS[code].views]
    place = pl.concat_str(pl.col("landmark").cast(pl.String), pl.col("view").cast(pl.String), separator="|")
    return holds(tables["landmarks"], place.is_in(pairs))


def one_frame_a_view(tables: CheckedTables, rule: Rule) -> Mask:
    """All points of a set share unit, direction of y and facing."""
    same = [pl.col(name).drop_nulls().n_unique().over("set") <= 1 for name in rule.columns]
    return holds(_named(tables), pl.all_horizontal(same))


def face_is_upright(tables: CheckedTables, rule: Rule) -> Mask:
    """The chin lies below the root of the nose."""
    right = [_of(chin, "up") < _of(brow, "up") for chin, brow in zip(CHIN, BROW, strict=True)]
    return holds(_named(tables), pl.all_horizontal(one.fill_null(value=True) for one in right))


def face_looks_ahead(tables: CheckedTables, rule: Rule) -> Mask:
    """Seen from the side, nasion lies in front of sella and the tip of the nose in front of its root."""
    right = [_of(front, "ahead") > _of(back, "ahead") for front, back in FRONT_OF]
    side = pl.col("view") != "frontal_photo"
    return holds(_named(tables), pl.all_horizontal(one.fill_null(value=True) for one in right) | ~side)


def points_lie_apart(tables: CheckedTables, rule: Rule) -> Mask:
    """No two landmarks of a set have the same coordinates, unless they may touch.

    Closed lips and teeth that meet may lie on one spot. The same landmark given twice is a matter of the key.
    """
    place = ["set", "x", "y"]
    points = _named(tables).select("landmark", *place).with_row_index("position")
    right = np.ones(points.height, dtype=np.bool_)
    # few points share a place: only they are looked at
    together = points.drop_nulls(place).filter(pl.struct(place).is_duplicated())
    touching = [pl.col("landmark").is_in(list(pair)).all().over(place) for pair in MAY_TOUCH]
    several = pl.col("landmark").n_unique().over(place) > 1
    wrong = together.filter(several & ~pl.any_horizontal(touching))
    right[wrong["position"].to_numpy()] = False
    return right


def points_keep_their_order(tables: CheckedTables, rule: Rule) -> Mask:
    """The point belongs to no two that look swapped, and to no face that looks mirrored."""
    return order_texts(tables).is_null().to_numpy().astype(np.bool_)


def order_texts(tables: CheckedTables) -> pl.Series:
    """What is wrong with the order of the points, for each point; null where nothing is. Shape (points,)."""
    frame = tables["landmarks"]
    known = ["timepoint", "view", "examiner", "repeat_no", "landmark", "x", "y"]
    # a set is named by its file and case, so that two files with the same set are not taken for one
    named = frame.with_row_index("place").with_columns(
        pl.format("{}|{}", "file", "case").alias("case_id"), pl.col("landmark").replace(dict(ALIASES))
    )
    usable = named.drop_nulls(known).filter(pl.col("view").is_in(VIEWS))
    if usable.is_empty():
        return pl.Series("text", [None], dtype=pl.String).new_from_index(0, frame.height)
    faults = points_out_of_order(usable)
    key = ["case_id", "timepoint", "view", "examiner", "repeat_no", "landmark"]
    told = faults.group_by(key).agg(pl.col("text").first())
    return named.join(told, on=key, how="left", maintain_order="left")["text"]


def size_fits_unit(tables: CheckedTables, rule: Rule) -> Mask:
    """Two landmarks of a set in millimetres lie as far apart as in a face."""
    limits = rule.arguments
    fits = _distance(limits["from"], limits["to"]).is_between(limits["low"], limits["high"])
    return holds(_named(tables), fits | (pl.col("unit") != "mm"))


def face_heights_add_up(tables: CheckedTables, rule: Rule) -> Mask:
    """Upper and lower height of the soft face add up to little more than its total (they lie nearly on one line)."""
    names = rule.arguments
    upper = _distance(names["upper"], names["middle"])
    lower = _distance(names["middle"], names["lower"])
    whole = _distance(names["upper"], names["lower"])
    return holds(_named(tables), heights_add_up(upper, lower, whole, within_pct=names["within_pct"]))


def heights_add_up(upper: pl.Expr, lower: pl.Expr, whole: pl.Expr, *, within_pct: float) -> pl.Expr:
    """Whether two parts of a height add up to the whole within a share of it.

    By the triangle inequality the parts are never less than the whole; in a face they are barely more, since the
    three points lie nearly on one line.
    """
    return (upper + lower - whole).abs() <= whole * (within_pct / 100.0)
