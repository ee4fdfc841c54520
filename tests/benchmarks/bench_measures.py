"""How long the measures of a million tracings take, as a multiple of the bare arithmetic.

Run with ``python -m pytest tests/benchmarks/bench_measures.py -m benchmark -s``. Nothing is asserted about
time: the figures depend on the machine, the ratio much less so. Peak memory is of the whole process.
"""

from __future__ import annotations

import resource
import time
from typing import TYPE_CHECKING, TypeAlias

import numpy as np
import polars as pl
import pytest

from tests.benchmarks.table import Row, Table
from warehouse.measures.catalogue import CATALOGUE
from warehouse.measures.evaluation import Readings, ReasonTexts, evaluate
from warehouse.measures.geometry import compute

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    Floats: TypeAlias = NDArray[np.float64]
    Points: TypeAlias = dict[str, Floats]

N = 1_000_000
FACE = {
    "S": (0, 0),
    "N": (70, 8),
    "Or": (56, -22),
    "Po": (-18, -20),
    "Go": (-10, -74),
    "Me": (46, -106),
    "Gn": (51, -103),
    "ANS": (70, -44),
    "PNS": (18, -44),
    "A": (67, -48),
    "B": (58, -86),
    "U1T": (74, -73),
    "U1A": (65, -50),
    "L1T": (71, -71),
    "L1A": (58, -91),
}
POINTS = tuple(FACE)


def _sets() -> tuple[Points, Points]:
    rng = np.random.default_rng(15)
    x = {code: FACE[code][0] + rng.normal(0.0, 1.0, N) for code in POINTS}
    y = {code: FACE[code][1] + rng.normal(0.0, 1.0, N) for code in POINTS}
    return x, y


def _long(x: Points, y: Points) -> pl.DataFrame:
    n = len(x["S"])
    cases = pl.Series("case_id", np.arange(n)).cast(pl.String)
    rows = pl.Series(np.repeat(np.arange(n, dtype=np.uint32), len(POINTS)))
    codes = pl.Series(np.tile(np.arange(len(POINTS), dtype=np.uint8), n))
    landmark = pl.Series(POINTS, dtype=pl.Enum(POINTS)).gather(codes.cast(pl.UInt32))

    def constant(text: str) -> pl.Expr:
        return pl.lit(text, pl.Enum([text]))

    return pl.DataFrame(
        {
            "case_id": cases.gather(rows),
            "landmark": landmark,
            "x": np.stack([x[c] for c in POINTS], axis=1).ravel(),
            "y": np.stack([y[c] for c in POINTS], axis=1).ravel(),
        }
    ).with_columns(
        timepoint=constant("start"),
        view=constant("lateral_radiograph"),
        unit=constant("mm"),
        y_axis=constant("up"),
        faces=constant("right"),
        examiner=constant("a"),
        repeat_no=pl.lit(1, pl.Int8),
    )


def _plane(x: Points, y: Points, a: str, b: str, c: str, d: str) -> Floats:
    ux, uy, vx, vy = x[b] - x[a], y[b] - y[a], x[d] - x[c], y[d] - y[c]
    return np.degrees(np.arctan2(uy * vx - ux * vy, ux * vx + uy * vy))


def _vertex(x: Points, y: Points, a: str, b: str, c: str, d: str) -> Floats:
    ux, uy, vx, vy = x[b] - x[a], y[b] - y[a], x[d] - x[c], y[d] - y[c]
    return np.degrees(np.arctan2(np.abs(ux * vy - uy * vx), ux * vx + uy * vy))


def _distance(x: Points, y: Points, a: str, b: str) -> Floats:
    return np.hypot(x[b] - x[a], y[b] - y[a])


def _share(x: Points, y: Points) -> Floats:
    ux, uy = x["ANS"] - x["PNS"], y["ANS"] - y["PNS"]
    upper = ux * (y["N"] - y["PNS"]) - uy * (x["N"] - x["PNS"])
    lower = uy * (x["Me"] - x["PNS"]) - ux * (y["Me"] - y["PNS"])
    return 100.0 * lower / (upper + lower)


def bare_arithmetic(x: Points, y: Points) -> Points:
    """The same formulas, written out one after the other, with no checks: all these fifteen points allow."""
    sna = _vertex(x, y, "N", "S", "N", "A")
    snb = _vertex(x, y, "N", "S", "N", "B")
    return {
        "sn_gogn_deg": _plane(x, y, "S", "N", "Go", "Gn"),
        "sn_gome_deg": _plane(x, y, "S", "N", "Go", "Me"),
        "fma_deg": _plane(x, y, "Po", "Or", "Go", "Me"),
        "y_axis_fh_deg": _plane(x, y, "Po", "Or", "S", "Gn"),
        "y_axis_sn_deg": _vertex(x, y, "S", "N", "S", "Gn"),
        "sn_pp_deg": _plane(x, y, "S", "N", "PNS", "ANS"),
        "mmpa_deg": _plane(x, y, "PNS", "ANS", "Go", "Me"),
        "jarabak_pct": 100.0 * _distance(x, y, "S", "Go") / _distance(x, y, "N", "Me"),
        "lafh_mm": _distance(x, y, "ANS", "Me"),
        "tafh_mm": _distance(x, y, "N", "Me"),
        "pfh_mm": _distance(x, y, "S", "Go"),
        "lafh_direct_pct": 100.0 * _distance(x, y, "ANS", "Me") / _distance(x, y, "N", "Me"),
        "lafh_perpendicular_pct": _share(x, y),
        "sna_deg": sna,
        "snb_deg": snb,
        "anb_deg": sna - snb,
        "u1_sn_deg": _vertex(x, y, "N", "S", "U1A", "U1T"),
        "u1_pp_deg": _vertex(x, y, "ANS", "PNS", "U1A", "U1T"),
        "impa_deg": _vertex(x, y, "Me", "Go", "L1A", "L1T"),
        "interincisal_deg": _vertex(x, y, "U1T", "U1A", "L1T", "L1A"),
    }


def _timed(work: Callable[[], object], times: int = 1) -> float:
    """Seconds of the fastest of several runs."""
    seconds = []
    for _ in range(times):
        start = time.perf_counter()
        work()
        seconds.append(time.perf_counter() - start)
    return min(seconds)


def _peak_gib() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20


@pytest.mark.benchmark
def test_a_million_tracings_against_bare_arithmetic(table: Table) -> None:
    x, y = _sets()
    bare = bare_arithmetic(x, y)
    formulas = [CATALOGUE[code].formula for code in bare]

    def kernel() -> list[Readings]:
        return evaluate(x, y, formulas, size=N, reasons=ReasonTexts())

    for code, reading in zip(bare, kernel(), strict=True):
        np.testing.assert_allclose(reading.values, bare[code], atol=1e-9, err_msg=code)
    bare_seconds = _timed(lambda: bare_arithmetic(x, y), times=3)
    kernel_seconds = _timed(kernel, times=3)
    bare_row = table.add(Row("measures", "20 measures of 15 points: bare arithmetic", N, bare_seconds))
    table.add(Row("measures", "20 measures of 15 points: checked measures", N, kernel_seconds), against=[bare_row])
    print(
        f"\n{N:,} tracings x {len(POINTS)} points, {len(bare)} measures"
        f"\nbare arithmetic {bare_seconds:.2f} s; arrays to checked measures {kernel_seconds:.2f} s = "
        f"{kernel_seconds / bare_seconds:.2f} x"
    )


@pytest.mark.benchmark
def test_a_long_table_of_a_million_tracings(table: Table) -> None:
    x, y = _sets()
    bare_seconds = _timed(lambda: bare_arithmetic(x, y), times=3)
    landmarks, expected = _long(x, y), bare_arithmetic(x, y)["anb_deg"]
    before = _peak_gib()
    results: list[pl.DataFrame] = []
    seconds = _timed(lambda: results.append(compute(landmarks)))
    bare_row = Row("measures", "bare arithmetic", N, bare_seconds)
    what = "a long table of points to a long table of measures with reasons"
    table.add(Row("measures", what, N, seconds), against=[bare_row])
    anb = results[0].filter(pl.col("measure") == "anb_deg")["value"].to_numpy()
    np.testing.assert_allclose(anb, expected, atol=1e-9)
    print(
        f"\n{landmarks.height:,} rows of points to {results[0].height:,} rows of measures with variant, reason and "
        f"caution: {seconds:.2f} s = {seconds / bare_seconds:.2f} x the bare arithmetic"
        f"\npeak memory {_peak_gib():.2f} GiB (of which {before:.2f} before the call)"
    )
