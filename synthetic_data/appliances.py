"""The kinds of appliance as this invented world uses them: for whom, how long, and what else they do.

Every number here is invented. None of them is the effect on the mandibular plane: that is a setting.
"""

from __future__ import annotations

from dataclasses import dataclass

NO_USE = -50.0
"""Log weight of an appliance a practice does not use."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Appliance:
    """One kind of appliance."""

    category: str  # Contract code
    type_pull: float = 0.0  # Change of the log odds of being chosen for each standard deviation of longer face
    age: tuple[float, float] = (12.0, 3.0)  # Usual age at start and its spread, in years
    # Change of the log odds of being chosen in incisor classes I, II/1, II/2, III
    class_pull: tuple[float, float, float, float] = (0.0, 0.0, 0.0, 0.0)
    months: tuple[float, float] = (12.0, 3.0)  # Mean and spread of the time it is used
    leads: bool = False  # Whether it can be the first of two phases
    removable: bool = False  # Whether it is worn by the patient's own effort
    straightens: bool = False  # Whether it lines the teeth up, so that teeth may be extracted for it
    upper_jaw: float = 0.0  # Change of SNA in degrees
    lower_jaw: float = 0.0  # Change of SNB in degrees, besides that from rotation
    arch: str = "both"  # Contract code of the arch


APPLIANCES = (
    Appliance(category="fixed_labial", age=(14.0, 4.0), months=(22.0, 5.0), straightens=True),
    Appliance(category="fixed_lingual", age=(22.0, 6.0), months=(22.0, 5.0), straightens=True),
    Appliance(
        category="removable_plate",
        type_pull=-0.2,
        age=(9.0, 2.5),
        months=(10.0, 3.0),
        leads=True,
        removable=True,
        arch="upper",
    ),
    Appliance(
        category="functional_removable",
        type_pull=-0.6,
        age=(11.0, 2.0),
        class_pull=(-1.0, 1.0, 0.5, -4.0),
        leads=True,
        removable=True,
        upper_jaw=-0.4,
        lower_jaw=0.8,
    ),
    Appliance(
        category="functional_fixed",
        type_pull=-0.7,
        age=(12.5, 2.0),
        class_pull=(-1.0, 1.0, 0.5, -4.0),
        months=(9.0, 2.0),
        leads=True,
        upper_jaw=-0.6,
        lower_jaw=0.7,
    ),
    Appliance(
        category="headgear_cervical",
        type_pull=-0.9,
        age=(11.0, 2.2),
        class_pull=(-0.5, 1.0, 0.5, -4.0),
        leads=True,
        removable=True,
        upper_jaw=-0.8,
        arch="upper",
    ),
    Appliance(
        category="headgear_high_pull",
        type_pull=1.2,
        age=(11.0, 2.2),
        class_pull=(-0.5, 1.0, 0.0, -4.0),
        leads=True,
        removable=True,
        upper_jaw=-0.6,
        arch="upper",
    ),
    Appliance(
        category="headgear_combination",
        age=(11.0, 2.2),
        class_pull=(-0.5, 1.0, 0.5, -4.0),
        leads=True,
        removable=True,
        upper_jaw=-0.7,
        arch="upper",
    ),
    Appliance(
        category="expander_tooth_borne",
        type_pull=0.6,
        age=(9.5, 2.5),
        class_pull=(0.2, 0.0, -0.5, 0.6),
        months=(8.0, 2.0),
        leads=True,
        arch="upper",
    ),
    Appliance(
        category="expander_bone_borne",
        type_pull=0.8,
        age=(13.0, 3.0),
        class_pull=(0.2, 0.0, -0.5, 0.6),
        months=(8.0, 2.0),
        leads=True,
        arch="upper",
    ),
    Appliance(
        category="facemask",
        type_pull=0.1,
        age=(8.5, 2.0),
        class_pull=(-5.0, -8.0, -8.0, 3.0),
        leads=True,
        removable=True,
        upper_jaw=1.2,
        lower_jaw=-0.6,
        arch="upper",
    ),
    Appliance(category="clear_aligner", type_pull=-0.3, age=(20.0, 6.0), months=(18.0, 5.0), straightens=True),
    Appliance(
        category="myofunctional",
        type_pull=0.6,
        age=(8.0, 2.0),
        class_pull=(0.0, 0.4, 0.0, -0.5),
        leads=True,
        removable=True,
    ),
    Appliance(
        category="surgery",
        type_pull=0.6,
        age=(24.0, 4.0),
        class_pull=(-2.0, 0.0, -1.0, 1.5),
        months=(26.0, 5.0),
        straightens=True,
        lower_jaw=0.5,
    ),
)
CATEGORIES = tuple(appliance.category for appliance in APPLIANCES)
MAY_RAISE_OVERJET = ("expander_tooth_borne", "expander_bone_borne", "myofunctional", "facemask")
