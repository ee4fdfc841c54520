"""Hand-made cohorts for the comparisons: appliance given by face type, outcomes set through the finish reading."""

from __future__ import annotations

from typing import Any

import numpy as np

from tests.hand_made import made_case

N = 240


def cohort_rows(n: int = N, *, seed: int = 11) -> list[dict[str, Any]]:
    """``n`` cases in treatment with an expander, a functional appliance or fixed appliances, some lost or not measured.

    Expanders go to long faces, and long faces go adverse more often, so that the crude difference misleads.
    """
    rng = np.random.default_rng(seed)
    rows = []
    for number in range(n):
        plane = float(np.round(rng.normal(33.0, 5.0), 1))
        age = float(np.round(rng.uniform(8.0, 16.0), 2))
        long_face = plane > 35.0
        appliance = rng.choice(
            ["expander_tooth_borne", "fixed_labial", "functional_removable"],
            p=[0.55, 0.3, 0.15] if long_face else [0.15, 0.65, 0.2],
        )
        adverse = rng.random() < (0.45 if long_face else 0.15)
        rise = 3.2 if adverse else min(1.0, float(np.round(rng.normal(-0.6, 0.8), 1)))
        rows.append(_case(number, plane, age, str(appliance), rise, rng))
    return rows


def _case(
    number: int, plane: float, age: float, appliance: str, rise: float, rng: np.random.Generator
) -> dict[str, Any]:
    status = rng.choice(["finished", "moved_away", "in_treatment"], p=[0.86, 0.08, 0.06])
    fields: dict[str, Any] = {
        "sex": str(rng.choice(["female", "male", "unknown"], p=[0.5, 0.48, 0.02])),
        "age_at_start": age,
        "incisor_class": str(rng.choice(["I", "II/1", "II/2", "III"])),
        "cvm_stage": str(rng.choice(["CS1", "CS3", "CS5"])),
        "extracted_teeth": str(rng.choice(["none", "14 24 34 44"], p=[0.7, 0.3])),
        "start_quarter": f"{int(rng.integers(2018, 2022))}-Q{int(rng.integers(1, 5))}",
        "status": str(status),
        "sn_gogn_deg_start": plane,
        "par_uk_points_start": float(rng.integers(20, 45)),
        "joint_symptoms_start": "no",
    }
    if status == "finished":
        fields |= {
            "sn_gogn_deg_finish": round(plane + rise, 1),
            "par_uk_points_finish": float(rng.integers(0, 35)),
            "joint_symptoms_finish": str(rng.choice(["no", "yes"], p=[0.9, 0.1])),
        }
        if rng.random() < 0.4:
            fields["sn_gogn_deg_progress"] = round(plane + rise / 2.0, 1)
        if rng.random() < 0.3:
            fields["sn_gogn_deg_follow_up"] = round(plane + rise * 0.8, 1)
    listed = [appliance, "fixed_labial"] if appliance == "functional_removable" and rng.random() < 0.7 else appliance
    return made_case(f"case{number}", appliance=listed, **fields)  # type: ignore[arg-type]
