"""Columns that rules ask about and no file has: what stands in other rows and tables, beside each row.

``rules.toml`` names them like columns of the table. Each function gives one value a row of its table, null where the
question does not arise.
"""

from collections.abc import Callable, Mapping
from types import MappingProxyType
from typing import TypeAlias

import numpy as np
import polars as pl

from pipelines.checking.tables import READING, CheckedTables, Mask, combined
from warehouse.measures.landmarks import ALIASES, LANDMARKS, MAY_TOUCH, VIEWS
from warehouse.measures.point_order import points_out_of_order

Computed: TypeAlias = Callable[[CheckedTables], pl.Series]

EARLIER = {"progress": "start", "finish": "start", "follow_up": "finish"}
"""With which earlier records those of a time are compared."""
ENOUGH_COPIED = 3  # measured values that must all be equal before they look copied
SET = ("case", "timepoint", "view", "examiner", "repeat_no")
CHIN = ("Me", "Gn'")
BROW = ("N", "N'")
FRONT_OF = (("N", "S"), ("Prn", "N'"))
"""Pairs of which the first lies in front of the second in every face seen from the side."""
SIZE = ("S", "N")
HEIGHTS = ("N'", "Sn", "Gn'")
HEIGHTS_WITHIN_PCT = 6.0
_NOT_FINDINGS = frozenset(
    {"file", "row", "case", "case_id", "timepoint", "records_taken", "months_from_start", "magnification_pct"}
    | {"image_scale_mm_per_px", "porion_kind", "gonion_kind"}
)


def _right_but_for(height: int, wrong: pl.Series) -> pl.Series:
    """True for every row but those at the positions ``wrong``; shape (height,)."""
    right = np.ones(height, dtype=np.bool_)
    right[wrong.to_numpy()] = False
    return pl.Series(right)


# --------------------------------------------------------------------------------------------------- any table


def row_key(tables: CheckedTables, table: str, columns: tuple[str, ...]) -> pl.Series:
    """The key of each row as one number; null where the case or a part of it is not told."""
    frame = tables[table]
    others = [name for name in columns if name != "case_id"]
    complete = pl.all_horizontal(pl.col("case") < tables.n_cases, *(pl.col(name).is_not_null() for name in others))
    numbers = combined(frame, ["case", *others]) if others else frame["case"]
    return numbers.set(~frame.select(complete.alias("complete"))["complete"], None)


def case_is_known(tables: CheckedTables, table: str) -> pl.Series:
    """Whether the case of the row stands in this load or an earlier one; of files of one row a case: null."""
    known = tables.known | tables.given
    known[tables.n_cases] = True
    return _unless_wide(tables, table, known)


def case_was_accepted(tables: CheckedTables, table: str) -> pl.Series:
    """Whether the row of the case was not turned away, or an earlier load knows the case."""
    return _unless_wide(tables, table, tables.accepted | tables.known | ~tables.given)


def _unless_wide(tables: CheckedTables, table: str, by_case: Mask) -> pl.Series:
    return pl.Series(by_case[tables.case_numbers(table)]).set(tables.of_wide(table), None)


# ------------------------------------------------------------------------------------------------------- cases


def teeth_in_both(tables: CheckedTables) -> pl.Series:
    """Whether a tooth is both extracted and absent."""
    lists = (pl.col(name).str.extract_all(r"(?:[1-4][1-8]|[5-8][1-5])") for name in ("extracted_teeth", "absent_teeth"))
    given = pl.all_horizontal(pl.col(name).str.len_bytes() > 0 for name in ("extracted_teeth", "absent_teeth"))
    asked = tables["cases"].with_row_index("position").filter(given)
    extracted, absent = lists
    shared = asked.filter(extracted.list.set_intersection(absent).list.len() > 0)["position"]
    return ~_right_but_for(tables["cases"].height, shared)


def sexes_of_case(tables: CheckedTables) -> pl.Series:
    """How many sexes the rows of the case give; null where the case stands once."""
    case = tables.case_numbers("cases")
    count = np.bincount(case, minlength=tables.n_cases + 1)
    count[tables.n_cases] = 0
    repeated = pl.Series(count[case] > 1)
    if not repeated.any():
        return pl.Series([None], dtype=pl.UInt32).new_from_index(0, len(case))
    sexes = pl.col("sex").drop_nulls().n_unique().over("case")
    return tables["cases"].select(pl.when(repeated).then(sexes).alias("sexes"))["sexes"]


def has_phase(tables: CheckedTables) -> pl.Series:
    """Whether the case has a phase."""
    return tables.of_case("cases", "phases", pl.lit(value=True)).fill_null(value=False)


def wears_appliance(tables: CheckedTables) -> pl.Series:
    """Whether the case has a phase with an appliance."""
    worn = pl.col("appliance_category") != "untreated"
    return tables.of_case("cases", "phases", pl.lit(value=True), worn).fill_null(value=False)


def has_finish_records(tables: CheckedTables) -> pl.Series:
    """Whether the case has anything from its finish records; null where the load has no records of any kind."""
    at_finish = pl.col("timepoint") == "finish"
    seen = pl.Series([None], dtype=pl.Boolean).new_from_index(0, tables["cases"].height)
    for table, there in (("readings", _any_value), ("visits", _visited)):
        if table in tables:
            found = tables.of_case("cases", table, pl.lit(value=True), at_finish, there(tables))
            seen = seen.fill_null(value=False) | found.fill_null(value=False)
    return seen


def _any_value(tables: CheckedTables) -> pl.Expr:
    """Whether a reading holds any value."""
    return pl.any_horizontal(pl.lit(value=False), *(pl.col(name).is_not_null() for name in tables.measure_columns()))


def _visited(tables: CheckedTables) -> pl.Expr:
    """Whether a visit holds a finding or says that records were taken.

    Where no readings were handed over at all, the visit itself is enough, unless it says that none were taken.
    """
    columns = tables["visits"].columns
    taken = pl.col("records_taken") if "records_taken" in columns else pl.lit(None, dtype=pl.String)
    findings = [pl.col(name).is_not_null() for name in columns if name not in _NOT_FINDINGS]
    seen = pl.any_horizontal(pl.lit("readings" not in tables), *findings, (taken == "yes").fill_null(value=False))
    return seen & taken.ne_missing(pl.lit("no"))


# --------------------------------------------------------------------------------------------- phases and visits


def _before(tables: CheckedTables, value: pl.Expr) -> pl.Series:
    """A value by the phases of the case in their order; null for phases of cases that have none numbered above 1."""
    phases = tables["phases"]
    several = np.zeros(tables.n_cases + 1, dtype=np.bool_)
    several[tables.case_numbers("phases")[phases["phase_no"].to_numpy() > 1]] = True
    several[tables.n_cases] = False
    ordered = phases.with_row_index("position").filter(several[tables.case_numbers("phases")])
    ordered = ordered.sort("case", "phase_no", maintain_order=True).select("position", before=value)
    nothing = pl.Series("before", [None], dtype=ordered["before"].dtype).new_from_index(0, phases.height)
    return nothing.scatter(ordered["position"], ordered["before"])


def before_phase_no(tables: CheckedTables) -> pl.Series:
    """Number of the phase before; 0 for the first of several."""
    return _before(tables, pl.col("phase_no").cast(pl.Int64).shift(1).over("case").fill_null(0))


def before_start(tables: CheckedTables) -> pl.Series:
    """Months at which the phase before begins."""
    return _before(tables, pl.col("months_from_start").shift(1).over("case"))


def before_end(tables: CheckedTables) -> pl.Series:
    """Months at which the phase before ends."""
    return _before(tables, (pl.col("months_from_start") + pl.col("months_duration")).shift(1).over("case"))


def _at_time(table: str, timepoint: str, column: str) -> Computed:
    """A column of the visit of the case at a time, beside every row of a table; null where the visits lack it."""

    def found(tables: CheckedTables) -> pl.Series:
        there = "visits" in tables and column in tables["visits"].columns
        value = pl.col(column) if there else pl.lit(None, dtype=pl.Float64)
        return tables.of_case(table, "visits", value, pl.col("timepoint") == timepoint)

    return found


def has_start(tables: CheckedTables) -> pl.Series:
    """Whether the case has a visit at start."""
    return tables.of_case("visits", "visits", pl.lit(value=True), pl.col("timepoint") == "start").fill_null(value=False)


def values_without_records(tables: CheckedTables) -> pl.Series:
    """Whether values are given for a time at which, by the visit, no records were taken."""
    visits = tables["visits"]
    without = visits.with_row_index("position").filter(pl.col("records_taken") == "no", pl.col("case") < tables.n_cases)
    values = tables["readings"].filter(_any_value(tables)).select("case", "timepoint")
    wrong = without.join(values, on=["case", "timepoint"], how="semi")["position"]
    return ~_right_but_for(visits.height, wrong)


# ---------------------------------------------------------------------------------------------- single values


def time_was_visited(tables: CheckedTables) -> pl.Series:
    """Whether the time of a value stands among the visits of its case; null where the case has no visits here."""
    seen = tables["visits"].filter(pl.col("case") < tables.n_cases)
    asked = tables["measurements"].select("case", "timepoint")
    times = seen.select("case", "timepoint", there=pl.lit(value=True)).unique()
    there = asked.join(times, on=["case", "timepoint"], how="left", maintain_order="left")["there"].fill_null(False)
    visited = asked["case"].is_in(seen["case"].unique().implode()) & asked["timepoint"].is_not_null()
    return there.set(~visited, None)


def _given_twice(tables: CheckedTables) -> pl.DataFrame:
    """``file`` and ``row`` of values that stand both in a file of single values and in one of one row a case."""
    singles, readings = tables["measurements"], tables["readings"]
    wide = readings.filter(tables.of_wide("readings"), pl.col("case") < tables.n_cases)
    wide = wide.join(singles.select(READING[1:]), on=READING[1:], how="semi")
    if wide.is_empty():
        return singles.select("file", "row").clear()
    values = (
        wide.unpivot(tables.measure_columns(), index=["file", "row", *READING[1:]], variable_name="measure")
        .drop_nulls("value")
        .join(singles.select("file", "row", *READING[1:], "measure"), on=[*READING[1:], "measure"], suffix="_single")
    )
    singles_given = values.select(pl.col("file_single").alias("file"), pl.col("row_single").alias("row"))
    return pl.concat([values.select("file", "row"), singles_given]).unique()


def single_given_once(tables: CheckedTables) -> pl.Series:
    """Whether a value of a file of single values does not also stand in a file of one row a case."""
    return _not_among(tables["measurements"], _given_twice(tables))


def reading_given_once(tables: CheckedTables) -> pl.Series:
    """Whether no value of a row of a file of one row a case is also given in a file of single values."""
    return _not_among(tables["readings"], _given_twice(tables)) | ~tables.of_wide("readings")


def _not_among(frame: pl.DataFrame, copies: pl.DataFrame) -> pl.Series:
    found = frame.select("file", "row").with_row_index("position").join(copies, on=["file", "row"], how="semi")
    return _right_but_for(frame.height, found["position"])


def off_from_points(tables: CheckedTables) -> pl.Series:
    """How far a value typed in lies from the one that follows from the points of the same reading."""
    singles, readings = tables["measurements"], tables["readings"]
    made = readings.filter(pl.col("file").is_in(tables["landmarks"]["file"].unique().implode()))
    codes = [code for code in tables.measure_columns() if made[code].null_count() < made.height]
    off = pl.Series("off", [None], dtype=pl.Float64).new_from_index(0, singles.height)
    if not codes:
        return off
    values = made.filter(pl.col("case") < tables.n_cases).unpivot(codes, index=READING[1:], variable_name="measure")
    beside = singles.select(*READING[1:], "measure", typed="value").with_row_index("position")
    pairs = beside.join(values.drop_nulls("value"), on=[*READING[1:], "measure"])
    pairs = pairs.select("position", off=(pl.col("typed") - pl.col("value")).abs()).drop_nulls()
    farthest = pairs.group_by("position").agg(pl.col("off").max())
    return off.scatter(farthest["position"], farthest["off"])


# --------------------------------------------------------------------------------------- values of one reading


def incisor_class(tables: CheckedTables) -> pl.Series:
    """The incisor class of the case."""
    there = "incisor_class" in tables["cases"].columns
    value = pl.col("incisor_class") if there else pl.lit(None, dtype=pl.String)
    return tables.of_case("readings", "cases", value)


def _measured(tables: CheckedTables) -> list[str]:
    """Measures read off with a decimal: scores are whole numbers, and equal ones mean nothing."""
    return [name for name in tables.measure_columns() if not tables.measures[name].integer_valued]


def _copied(pairs: pl.DataFrame, names: list[str]) -> pl.Series:
    """Positions of pairs (``before_*`` beside plain) of which enough measures are there, and all are equal."""
    equal = [(pl.col(name) == pl.col(f"before_{name}")) for name in names]
    compared = pl.sum_horizontal(one.is_not_null() for one in equal)
    n_equal = pl.sum_horizontal(one.fill_null(value=False) for one in equal)
    return pairs.filter(compared >= ENOUGH_COPIED, compared == n_equal)["position"]


def copied_from_earlier_time(tables: CheckedTables) -> pl.Series:
    """Whether all of several values equal those of the earlier records of the case (first readings compared)."""
    readings, names = tables["readings"], _measured(tables)
    copied = pl.Series("position", [], dtype=pl.UInt32)
    first = readings.lazy().with_row_index("position").filter(pl.col("repeat_no") == 1, pl.col("case") < tables.n_cases)
    for time, earlier in EARLIER.items() if len(names) >= ENOUGH_COPIED else ():
        before = first.filter(pl.col("timepoint") == earlier).select(
            "case", *(pl.col(n).alias(f"before_{n}") for n in names)
        )
        # One equal value decides whether the others need looking at, which spares nearly every pair.
        pairs = first.filter(pl.col("timepoint") == time).select("position", "case", *names).join(before, on="case")
        some = pl.any_horizontal(pl.col(n) == pl.col(f"before_{n}") for n in names)
        copied = pl.concat([copied, _copied(pairs.filter(some).collect(), names)])
    return ~_right_but_for(readings.height, copied)


def copied_from_first_reading(tables: CheckedTables) -> pl.Series:
    """Whether all of several values of a second reading equal those of the first by the same examiner."""
    readings, names = tables["readings"], _measured(tables)
    by_whom = ["case", "timepoint", "examiner"]
    repeats = readings.with_row_index("position").filter(pl.col("repeat_no") > 1)
    if repeats.is_empty() or not names:
        return pl.Series(np.zeros(readings.height, dtype=np.bool_))
    first = readings.filter(pl.col("repeat_no") == 1).join(repeats.select(by_whom), on=by_whom, how="semi")
    before = first.select(*by_whom, *(pl.col(name).alias(f"before_{name}") for name in names))
    return ~_right_but_for(readings.height, _copied(repeats.join(before, on=by_whom), names))


# --------------------------------------------------------------------------------------------------- landmarks
# A set is one view of one case at one time, marked by one examiner once. Where the axes of a set are wrong every point
# of it is wrong, so all of them fail.


def landmarks_in_views() -> list[str]:
    """Every landmark, by each of its names, with each view it shows in: ``code|view``."""
    names = {code: code for code in LANDMARKS} | dict(ALIASES)
    return [f"{name}|{view}" for name, code in names.items() for view in LANDMARKS[code].views]


def _of_sets(tables: CheckedTables, value: pl.Expr) -> pl.Series:
    """A value of each point, given its number of the ``set``, ``up`` growing upwards and ``ahead`` to the front."""
    points = tables["landmarks"].with_columns(
        combined(tables["landmarks"], SET).alias("set"),
        pl.col("landmark").replace(dict(ALIASES)),
        up=pl.when(pl.col("y_axis") == "down").then(-pl.col("y")).otherwise(pl.col("y")),
        ahead=pl.when(pl.col("faces") == "left").then(-pl.col("x")).otherwise(pl.col("x")),
    )
    return points.select(value.alias("value"))["value"]


def _of(code: str, column: str) -> pl.Expr:
    """The position of one landmark of the set, beside every point of the set."""
    return pl.col(column).filter(pl.col("landmark") == code).first().over("set")


def _distance(one: str, other: str) -> pl.Expr:
    across, along = (_of(one, name) - _of(other, name) for name in ("x", "y"))
    return (across**2 + along**2).sqrt()


def frames_of_set(tables: CheckedTables) -> pl.Series:
    """The most units, directions of y or facings that the points of a set are given in."""
    asked = ("unit", "y_axis", "faces")
    return _of_sets(tables, pl.max_horizontal(pl.col(name).drop_nulls().n_unique().over("set") for name in asked))


def face_is_upright(tables: CheckedTables) -> pl.Series:
    """Whether the chin lies below the root of the nose."""
    right = [_of(chin, "up") < _of(brow, "up") for chin, brow in zip(CHIN, BROW, strict=True)]
    return _of_sets(tables, pl.all_horizontal(one.fill_null(value=True) for one in right))


def face_looks_ahead(tables: CheckedTables) -> pl.Series:
    """Whether, seen from the side, nasion lies in front of sella and the tip of the nose in front of its root."""
    right = [_of(front, "ahead") > _of(back, "ahead") for front, back in FRONT_OF]
    side = pl.col("view") != "frontal_photo"
    return _of_sets(tables, pl.all_horizontal(one.fill_null(value=True) for one in right) | ~side)


def points_lie_apart(tables: CheckedTables) -> pl.Series:
    """Whether no two landmarks of a set have the same coordinates, unless they may touch.

    Closed lips and teeth that meet may lie on one spot. The same landmark given twice is a matter of the key.
    """
    place = ["set", "x", "y"]
    points = tables["landmarks"].select(
        combined(tables["landmarks"], SET).alias("set"), pl.col("landmark").replace(dict(ALIASES)), "x", "y"
    )
    # few points share a place: only they are looked at
    together = points.with_row_index("position").drop_nulls(place).filter(pl.struct(place).is_duplicated())
    touching = [pl.col("landmark").is_in(list(pair)).all().over(place) for pair in MAY_TOUCH]
    several = pl.col("landmark").n_unique().over(place) > 1
    return _right_but_for(points.height, together.filter(several & ~pl.any_horizontal(touching))["position"])


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
    of_point = ["case_id", "timepoint", "view", "examiner", "repeat_no", "landmark"]
    told = faults.group_by(of_point).agg(pl.col("text").first())
    return named.join(told, on=of_point, how="left", maintain_order="left")["text"]


def points_keep_their_order(tables: CheckedTables) -> pl.Series:
    """Whether the point belongs to no two that look swapped, and to no face that looks mirrored."""
    return order_texts(tables).is_null()


def size_of_face(tables: CheckedTables) -> pl.Series:
    """Distance of two landmarks of the set."""
    return _of_sets(tables, _distance(*SIZE))


def heights_add_up(upper: pl.Expr, lower: pl.Expr, whole: pl.Expr, *, within_pct: float) -> pl.Expr:
    """Whether two parts of a height add up to the whole within a share of it.

    By the triangle inequality the parts are never less than the whole; in a face they are barely more, since the
    three points lie nearly on one line.
    """
    return (upper + lower - whole).abs() <= whole * (within_pct / 100.0)


def face_heights_add_up(tables: CheckedTables) -> pl.Series:
    """Whether upper and lower height of the soft face add up to little more than its total."""
    top, middle, bottom = HEIGHTS
    parts = _distance(top, middle), _distance(middle, bottom), _distance(top, bottom)
    return _of_sets(tables, heights_add_up(*parts, within_pct=HEIGHTS_WITHIN_PCT))


OF_ANY_TABLE: Mapping[str, Callable[[CheckedTables, str], pl.Series]] = MappingProxyType(
    {"case_is_known": case_is_known, "case_was_accepted": case_was_accepted}
)

COMPUTED: Mapping[str, Mapping[str, Computed]] = MappingProxyType(
    {
        "cases": {
            one.__name__: one for one in (teeth_in_both, sexes_of_case, has_phase, wears_appliance, has_finish_records)
        },
        "phases": {
            **{one.__name__: one for one in (before_phase_no, before_start, before_end)},
            "finish_months": _at_time("phases", "finish", "months_from_start"),
        },
        "visits": {
            **{one.__name__: one for one in (has_start, values_without_records)},
            "start_months": _at_time("visits", "start", "months_from_start"),
            "finish_months": _at_time("visits", "finish", "months_from_start"),
            "start_magnification_pct": _at_time("visits", "start", "magnification_pct"),
            "start_gonion_kind": _at_time("visits", "start", "gonion_kind"),
            "start_porion_kind": _at_time("visits", "start", "porion_kind"),
        },
        "measurements": {one.__name__: one for one in (time_was_visited, single_given_once, off_from_points)},
        "readings": {
            one.__name__: one
            for one in (incisor_class, copied_from_earlier_time, copied_from_first_reading, reading_given_once)
        },
        "landmarks": {
            one.__name__: one
            for one in (
                frames_of_set,
                face_is_upright,
                face_looks_ahead,
                points_lie_apart,
                points_keep_their_order,
                size_of_face,
                face_heights_add_up,
            )
        },
    }
)
"""Table -> name -> what gives the column, shape (rows of the table,)."""
