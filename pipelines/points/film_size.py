"""What is said of the size of lengths on films: told at ingest wherever a load holds such lengths."""

from collections.abc import Mapping, Sequence
from dataclasses import replace

import polars as pl

from pipelines.contract.delivery import Delivery, ReadingAssumption
from warehouse.measures.measure import Measure

ABOUT = "lengths on films"


def with_size_notes(deliveries: Sequence[Delivery], catalogue: Mapping[str, Measure]) -> list[Delivery]:
    """The deliveries, those that hold lengths of films with a note on the enlargement known of them."""
    on_film = [code for code, measure in catalogue.items() if measure.on_film]
    visits = [one.tables["visits"] for one in deliveries if "visits" in one.tables]
    note = _note(visits)
    return [
        replace(one, assumptions=(*one.assumptions, note)) if _holds_any(one, on_film) else one for one in deliveries
    ]


def _holds_any(delivery: Delivery, codes: Sequence[str]) -> bool:
    if "measurements" in delivery.tables:
        return bool(delivery.tables["measurements"]["measure"].is_in(codes).any())
    readings = delivery.tables.get("readings")
    return readings is not None and any(
        code in readings.columns and readings[code].null_count() < readings.height for code in codes
    )


def _note(visits: Sequence[pl.DataFrame]) -> ReadingAssumption:
    n = sum(frame.height for frame in visits)
    stated = sum(frame["magnification_pct"].count() for frame in visits if "magnification_pct" in frame.columns)
    if not stated:
        because = "no visit of this load states an enlargement; earlier loads may"
        return ReadingAssumption(ABOUT, "as on the film where no enlargement is known", because)
    taken = "brought to true size" if stated == n else f"brought to true size for {stated:,} of {n:,} visits"
    return ReadingAssumption(
        ABOUT, taken, "value / (1 + magnification_pct / 100); where none is stated, as on the film"
    )
