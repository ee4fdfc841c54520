"""The marts and rates of a registry whose records lie in Parquet: the same statements, in the place they are given."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from warehouse.engine.checks import offer_readings, offer_records, refuse_faults
from warehouse.marts.build import build_marts
from warehouse.marts.catalogues import in_force
from warehouse.marts.publish import describe_build, store_state
from warehouse.marts.reader import Reader
from warehouse.questions.shares import Rates, rates_as_data
from warehouse.results import Caution, Estimate
from warehouse.store.snapshot import Snapshot
from warehouse.store.storage import utc_now

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    import polars as pl

    from warehouse.engine.place import Place

RATES = "rates"
"""The table of rates; written last, so that a folder that has it is whole."""


def build(place: Place, *, records: str, out: str, progress: Callable[[str], None] = lambda _: None) -> Reader:
    """Build every mart in ``place`` and open them for reading.

    Raises:
        EngineError: Records are missing or not sound, or the place failed.
    """
    progress("looking at the records")
    offer_records(place, records)
    catalogues = in_force(place)
    offer_readings(place, catalogues, records)
    progress("checking the records")
    refuse_faults(place, catalogues)
    progress("building the marts")
    build_marts(place, catalogues)
    state = store_state(place)
    build_id, published_at = f"records-{state.digest}", utc_now().isoformat() + "Z"
    describe_build(place, build_id, published_at, state)
    place.finish()
    return Reader(Snapshot(build_id, published_at, Path(out)), place)


def rates_table(results: Sequence[Rates], said: Callable[[Caution], str]) -> pl.DataFrame:
    """Rates as one table: a row a group, with definition, version, growth reference, n, interval and build.

    ``said`` gives the text of a caution.
    """
    import polars as pl

    rows = [row for result in results for row in _rows(result, said)]
    numbers = ("share", "low", "high", "level", "share_if_none_of_the_missing", "share_if_all_of_the_missing")
    named = ("share_favourable", "net", "expected_untreated", "error_corrected", "all_started")
    beside = [f"{name}{end}" for name in named for end in ("", "_low", "_high")]
    counts = dict.fromkeys(("n_favourable", "n_favourable_of"), pl.Int64)
    types = {**dict.fromkeys((*numbers, *beside), pl.Float64), **counts, "grouped_by": pl.String}
    return pl.DataFrame(rows, schema_overrides=types)


def _rows(result: Rates, said: Callable[[Caution], str]) -> list[dict[str, object]]:
    data = rates_as_data(result)
    return [
        {
            "definition_id": result.definition.id,
            "definition_version": result.definition.version,
            "grouped_by": data["by"],
            "group": group["group"],
            "label": group["label"],
            "n_started": group["n_started"],
            "n_finished": group["n_finished"],
            "n_assessable": group["n_assessable"],
            "n_adverse": group["n_adverse"],
            "n_missing_due": group["n_missing_due"],
            "n_turned_away": group["n_turned_away"],
            "share": group["rate"],
            "low": (group["interval"] or [None, None])[0],
            "high": (group["interval"] or [None, None])[1],
            "level": group["level"],
            "method": group["method"],
            "n_favourable": group["n_favourable"],
            "n_favourable_of": group["n_favourable_of"],
            **_with_ends("share_favourable", group["share_favourable"]),
            **_with_ends("net", group["net"]),
            **_with_ends("expected_untreated", row.beside.expected.share if row.beside.expected else None),
            **_with_ends("error_corrected", row.beside.corrected.share if row.beside.corrected else None),
            **_with_ends("all_started", row.beside.all_started),
            "share_if_none_of_the_missing": group["if_none_of_the_missing"],
            "share_if_all_of_the_missing": group["if_all_of_the_missing"],
            "warnings": "; ".join(map(said, group["warnings"])),
            "cases": data["cases"],
            "growth_reference": data["growth_reference"],
            "build": data["build"],
        }
        for group, row in zip(data["groups"], result.groups, strict=True)
    ]


def _with_ends(name: str, found: Estimate | None) -> dict[str, object]:
    """An estimate and the ends of its interval, a column each."""
    interval = found.interval if found else None
    return {
        name: found.value if found else None,
        f"{name}_low": interval.low if interval else None,
        f"{name}_high": interval.high if interval else None,
    }
