"""Reading films: points are marked with error, and measures computed from the marked points.

The formulas are written out here in plain NumPy and share nothing with those of the warehouse, so that each checks
the other.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from synthetic_data.arrays import BoolArray, ComplexArray, FloatArray
from synthetic_data.faces import Points
from synthetic_data.stated import stated

_STATED = stated("tracing.toml")
POINT_ERROR: dict[str, tuple[float, float]] = _STATED["point_error"]
SKIN_ERROR: tuple[float, float] = _STATED["skin_error"]
UNREADABLE: dict[str, float] = _STATED["unreadable"]

HEAD_TILT = (8.5, 3.0)  # degrees the cranial base slopes up in the picture: mean and spread
CORNER = 80.0 + 180.0j  # where sella lies in the picture, in mm from its lower left corner, on average


@dataclass(frozen=True, slots=True)
class Reading:
    """How each reading is made; arrays with one row a reading."""

    error: FloatArray  # Point error as a multiple of POINT_ERROR
    low_gonion: FloatArray  # How much lower than true this examiner marks gonion, in mm
    enlargement_pct: FloatArray  # Enlargement of the film


def mark_points(points: Points, reading: Reading, unreadable: float, rng: np.random.Generator) -> Points:
    """The points as marked: moved by error, tilted, enlarged, to 0.01 mm; NaN where a point is not to be made out.

    The lower stomion is marked relative to the upper: closed lips give two points next to each other.
    """
    n = len(reading.error)
    tilt = np.exp(1j * np.radians(rng.normal(*HEAD_TILT, n))) * (1.0 + reading.enlargement_pct / 100.0)
    place = CORNER + rng.normal(0.0, 6.0, n) + 1j * rng.normal(0.0, 6.0, n)
    marked = {}
    for name, true in points.items():
        along, across = POINT_ERROR.get(name, SKIN_ERROR)
        error = along * rng.standard_normal(n) + 1j * across * rng.standard_normal(n)
        marked[name] = true + reading.error * error
    marked["Go"] = marked["Go"] - 1j * reading.low_gonion
    marked["Stmi"] = marked["Stms"] - _marked_gap(points, reading, rng)
    for name, share in UNREADABLE.items():
        marked[name][rng.random(n) < share * unreadable] = complex(np.nan, np.nan)
    return {name: np.round(at * tilt + place, 2) for name, at in marked.items()}


def _marked_gap(points: Points, reading: Reading, rng: np.random.Generator) -> ComplexArray:
    gap = (points["Stms"] - points["Stmi"]).imag
    error = 0.3 * reading.error * rng.standard_normal(len(gap))
    marked: ComplexArray = 1j * np.maximum(gap + error, 0.1)
    return marked


def _plane_angle(first: ComplexArray, second: ComplexArray) -> FloatArray:
    """Signed degrees from the second direction up to the first."""
    angle: FloatArray = np.degrees(np.angle(first * np.conj(second)))
    return angle


def _vertex_angle(first: ComplexArray, second: ComplexArray) -> FloatArray:
    """Degrees between two directions, 0 to 180."""
    return np.abs(_plane_angle(first, second))


def _bjork_sum(p: Points) -> FloatArray:
    saddle = _vertex_angle(p["N"] - p["S"], p["Ar"] - p["S"])
    articular = _vertex_angle(p["S"] - p["Ar"], p["Go"] - p["Ar"])
    return saddle + articular + _vertex_angle(p["Ar"] - p["Go"], p["Me"] - p["Go"])


def _occlusal_plane(p: Points) -> ComplexArray:
    plane: ComplexArray = (p["U1T"] + p["L1T"]) / 2 - (p["U6"] + p["L6"]) / 2
    return plane


def _along(plane: ComplexArray, span: ComplexArray) -> FloatArray:
    seen: FloatArray = (np.conj(plane) * span).real / np.abs(plane)
    return seen


def _across(plane: ComplexArray, span: ComplexArray) -> FloatArray:
    seen: FloatArray = (np.conj(plane) * span).imag / np.abs(plane)
    return seen


def _perpendicular_share(p: Points) -> FloatArray:
    palate = p["ANS"] - p["PNS"]
    upper = np.abs(_across(palate, p["N"] - p["PNS"]))
    lower = np.abs(_across(palate, p["Me"] - p["PNS"]))
    share: FloatArray = 100.0 * lower / (upper + lower)
    return share


def _share(part: ComplexArray, whole: ComplexArray) -> FloatArray:
    share: FloatArray = 100.0 * np.abs(part) / np.abs(whole)
    return share


FORMULAS: dict[str, Callable[[Points], FloatArray]] = {
    "sn_gogn_deg": lambda p: _plane_angle(p["N"] - p["S"], p["Gn"] - p["Go"]),
    "sn_gome_deg": lambda p: _plane_angle(p["N"] - p["S"], p["Me"] - p["Go"]),
    "fma_deg": lambda p: _plane_angle(p["Or"] - p["Po"], p["Me"] - p["Go"]),
    "y_axis_fh_deg": lambda p: _plane_angle(p["Or"] - p["Po"], p["Gn"] - p["S"]),
    "y_axis_sn_deg": lambda p: _vertex_angle(p["N"] - p["S"], p["Gn"] - p["S"]),
    "facial_axis_deg": lambda p: _vertex_angle(p["Ba"] - p["N"], p["Gn"] - p["Pt"]),
    "sn_pp_deg": lambda p: _plane_angle(p["N"] - p["S"], p["ANS"] - p["PNS"]),
    "mmpa_deg": lambda p: _plane_angle(p["ANS"] - p["PNS"], p["Me"] - p["Go"]),
    "gonial_deg": lambda p: _vertex_angle(p["Ar"] - p["Go"], p["Me"] - p["Go"]),
    "bjork_sum_deg": _bjork_sum,
    "jarabak_pct": lambda p: _share(p["S"] - p["Go"], p["N"] - p["Me"]),
    "lafh_mm": lambda p: np.abs(p["ANS"] - p["Me"]),
    "tafh_mm": lambda p: np.abs(p["N"] - p["Me"]),
    "pfh_mm": lambda p: np.abs(p["S"] - p["Go"]),
    "lafh_direct_pct": lambda p: _share(p["ANS"] - p["Me"], p["N"] - p["Me"]),
    "lafh_perpendicular_pct": _perpendicular_share,
    "sna_deg": lambda p: _vertex_angle(p["S"] - p["N"], p["A"] - p["N"]),
    "snb_deg": lambda p: _vertex_angle(p["S"] - p["N"], p["B"] - p["N"]),
    "anb_deg": lambda p: (
        _vertex_angle(p["S"] - p["N"], p["A"] - p["N"]) - _vertex_angle(p["S"] - p["N"], p["B"] - p["N"])
    ),
    "wits_mm": lambda p: _along(_occlusal_plane(p), p["A"] - p["B"]),
    "u1_sn_deg": lambda p: _vertex_angle(p["S"] - p["N"], p["U1T"] - p["U1A"]),
    "u1_pp_deg": lambda p: _vertex_angle(p["PNS"] - p["ANS"], p["U1T"] - p["U1A"]),
    "impa_deg": lambda p: _vertex_angle(p["Go"] - p["Me"], p["L1T"] - p["L1A"]),
    "interincisal_deg": lambda p: _vertex_angle(p["U1A"] - p["U1T"], p["L1A"] - p["L1T"]),
    "overjet_mm": lambda p: _along(_occlusal_plane(p), p["U1T"] - p["L1T"]),
    "overbite_mm": lambda p: _across(_occlusal_plane(p), p["L1T"] - p["U1T"]),
    "nose_tip_to_incisor_mm": lambda p: np.abs(p["Prn"] - p["U1T"]),
    "lower_third_pct": lambda p: _share(p["Sn"] - p["Gn'"], p["N'"] - p["Gn'"]),
    "nasolabial_deg": lambda p: _vertex_angle(p["Cm"] - p["Sn"], p["Ls"] - p["Sn"]),
    "lip_gap_mm": lambda p: np.abs(p["Stms"] - p["Stmi"]),
}
"""Measure code -> formula from the points of the lateral view; NaN where a point is missing."""


def measure(points: Points, code: str, film: BoolArray) -> FloatArray:
    """One measure of all readings, to 0.1; NaN where there was no film or a point is missing."""
    value = np.round(FORMULAS[code](points), 1)
    return np.where(film, value, np.nan)
