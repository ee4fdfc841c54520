"""Which records to read again: a random draw in a random order, so that nobody picks and nobody remembers."""

from dataclasses import dataclass

import numpy as np
import polars as pl

from warehouse.errors import RequestError
from warehouse.marts.method_errors import TAKEN_AGAIN
from warehouse.marts.reader import Reader
from warehouse.measures.catalogue import CATALOGUE
from warehouse.store.quoting import name

ADVISED = 25  # records that should be read again (Houston 1983, from memory)
_READ_FROM_PICTURES = ("vertical", "sagittal", "dental", "photo", "own")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RepeatPlan:
    """Records to read again."""

    # One row a record in the order of reading: order (from 1), practice, case_key, timepoint. No value.
    frame: pl.DataFrame
    n_eligible: int  # Records that could have been drawn
    weeks: float  # Weeks that should lie between first and second reading
    remarks: tuple[str, ...]  # What to keep in mind, in words


def plan_repeats(
    reader: Reader, *, n: int, rng: np.random.Generator, practice: str | None = None, weeks: float = 2.0
) -> RepeatPlan:
    """Draw records of consecutive cases that were read once, each with the same chance, to be read again.

    ``n``: how many, or all there are. ``rng``: of draw and order. ``weeks``: between the readings. RequestError where
    ``n`` is not positive, or the practice is unknown or not named among several.
    """
    if n < 1:
        raise RequestError(f"{n} records to read again", expected="1 or more")
    chosen = _practice(reader, practice)
    eligible = _eligible(reader, chosen)
    drawn = rng.permutation(eligible.height)[:n]
    frame = eligible[drawn.tolist()].with_row_index("order", offset=1)
    return RepeatPlan(
        frame=frame.select("order", "practice", "case_key", "timepoint"),
        n_eligible=eligible.height,
        weeks=weeks,
        remarks=tuple(_remarks(n, frame.height)),
    )


def _practice(reader: Reader, practice: str | None) -> str:
    if practice is None and len(reader.practices) == 1:
        return reader.practices[0]
    if practice in reader.practices:
        return str(practice)
    found = f"there is no practice {practice!r} here" if practice else "the warehouse holds several practices"
    raise RequestError(found, expected=", ".join(reader.practices), remedy="name one of them with --practice")


def _eligible(reader: Reader, practice: str) -> pl.DataFrame:
    """Records with a value read from a picture, not read a second time so far; in a fixed order."""
    columns = reader.connection.frame("select * from mart_timeline limit 0").columns
    families = dict(reader.connection.rows("select measure, family from mart_measures"))
    scores = {code for code, entry in CATALOGUE.items() if entry.integer_valued}
    listed = [code for code in columns if families.get(code) in _READ_FROM_PICTURES and code not in scores]
    if not listed:
        return pl.DataFrame(schema=dict.fromkeys(("practice", "case_key", "timepoint"), pl.String))
    read = " or ".join(f"mart_timeline.{name(code)} is not null" for code in listed)
    return reader.connection.frame(
        "select cast(mart_cases.practice as varchar) as practice, mart_cases.case_key,"
        " cast(mart_timeline.timepoint as varchar) as timepoint from mart_timeline"
        " inner join mart_cases on mart_cases.case_no = mart_timeline.case_no"
        f" where mart_cases.practice = ? and mart_cases.selection = 'consecutive' and ({read})"
        " and not exists (select 1 from mart_repeats where mart_repeats.case_no = mart_timeline.case_no"
        " and mart_repeats.timepoint = mart_timeline.timepoint and mart_repeats.repeat_no > 1"
        f" and mart_repeats.repeat_no < {TAKEN_AGAIN})"
        " order by case_key, timepoint",
        [practice],
    )


def _remarks(wanted: int, drawn: int) -> list[str]:
    said = []
    if drawn < wanted:
        said.append(f"Only {drawn} records were read once and not yet again; all of them are drawn.")
    if drawn < ADVISED:
        said.append(f"At least {ADVISED} records are advised: with fewer the error is known only roughly.")
    return said
