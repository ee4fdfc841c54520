"""Results of single cases that follow from their measures: teeth, face type, and the nose-tip rule of thumb.

The nose-tip columns are common practice without a source, and never a norm; their names say so.
"""

import polars as pl

from warehouse.marts.reader import Reader
from warehouse.measures.published_bands import (
    facial_index_class,
    iotn_overjet_grade,
    irregularity_class,
    nose_tip_guide_mm,
    nose_tip_unfavourable,
    par_improvement,
    par_percent_reduction,
)
from warehouse.store.quoting import name, statement

MEASURES = ("par_uk_points", "irregularity_mm", "overjet_mm", "facial_index_pct", "nose_tip_to_incisor_mm")
TIMES = ("start", "finish", "follow_up")


def case_results(reader: Reader) -> pl.DataFrame:
    """One row a case: ``case_no`` and a column a result, by time; null where a measure was not read.

    The improvement category is by the weighted score (UK weights) from start to finish; treatment need by overjet
    takes a closed mouth at rest for competent lips; a facial index is classed on the scale for the person's sex.
    """
    wide = _wide(reader)
    lips = pl.when(pl.col("mouth_posture_start").is_not_null()).then(pl.col("mouth_posture_start") == "closed")
    found: dict[str, pl.Expr] = {
        "par_start": pl.col("par_uk_points_start"),
        "par_finish": pl.col("par_uk_points_finish"),
        "par_percent_reduction": par_percent_reduction("par_uk_points_start", "par_uk_points_finish"),
        "par_improvement": par_improvement("par_uk_points_start", "par_uk_points_finish"),
    }
    found |= {f"irregularity_class_{time}": irregularity_class(f"irregularity_mm_{time}") for time in TIMES}
    found["iotn_overjet_grade_start"] = iotn_overjet_grade("overjet_mm_start", lips_competent=lips)
    found |= {f"facial_index_class_{one}": facial_index_class(f"facial_index_pct_{one}", "sex") for one in TIMES[:2]}
    ages = {one: pl.col("age_at_start") + pl.col(f"months_{one}") / 12.0 for one in TIMES[:2]}
    tips = {one: f"nose_tip_to_incisor_mm_{one}" for one in ages}
    for one, age in ages.items():
        guide = pl.when(pl.col(tips[one]).is_not_null()).then(nose_tip_guide_mm(age, "sex"))
        found[f"nose_tip_rule_of_thumb_mm_{one}"] = guide
    for one, age in ages.items():
        found[f"nose_tip_unfavourable_by_rule_of_thumb_{one}"] = nose_tip_unfavourable(tips[one], age, "sex")
    return wide.select("case_no", *(result.alias(name) for name, result in found.items()))


def _wide(reader: Reader) -> pl.DataFrame:
    """One row a case: sex, age, mouth posture, and each measure and the months at each time."""
    present = set(reader.connection.columns("mart_timeline"))
    columns = []
    for time in TIMES:
        columns.append(f"max(case when timepoint = '{time}' then months_from_start end) as months_{time}")
        for measure in MEASURES:
            value = f"mart_timeline.{name(measure)}" if measure in present else "cast(null as double)"
            columns.append(f"max(case when timepoint = '{time}' then {value} end) as {measure}_{time}")
    return reader.connection.frame(statement(__package__, "case_results.sql", columns=", ".join(columns)))
