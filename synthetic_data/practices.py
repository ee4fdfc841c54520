"""The invented Lantern Bay study group: seven practices that do not exist, each with its own habits."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

Layout = Literal["tabular", "template", "own_spreadsheet"]
Points = Literal["none", "beside", "instead"]

CORE = (
    "sn_gogn_deg",
    "facial_axis_deg",
    "fma_deg",
    "lafh_mm",
    "tafh_mm",
    "lafh_direct_pct",
    "overjet_mm",
    "overbite_mm",
)
USUAL = (
    *CORE,
    "sn_gome_deg",
    "sn_pp_deg",
    "mmpa_deg",
    "y_axis_fh_deg",
    "pfh_mm",
    "jarabak_pct",
    "sna_deg",
    "snb_deg",
    "anb_deg",
    "u1_sn_deg",
    "impa_deg",
    "interincisal_deg",
    "nose_tip_to_incisor_mm",
    "irregularity_mm",
    "par_uk_points",
)
PAR_COMPONENTS = (
    "par_upper_anterior_points",
    "par_lower_anterior_points",
    "par_buccal_points",
    "par_overjet_score",
    "par_overbite_score",
    "par_centreline_score",
)
FULL = (
    *USUAL,
    *PAR_COMPONENTS,
    "y_axis_sn_deg",
    "gonial_deg",
    "bjork_sum_deg",
    "lafh_perpendicular_pct",
    "wits_mm",
    "u1_pp_deg",
    "lower_third_pct",
    "nasolabial_deg",
    "lip_gap_mm",
    "facial_index_pct",
)
CLASS_SHARES = {"I": 0.36, "II/1": 0.42, "II/2": 0.11, "III": 0.11}


@dataclass(frozen=True, slots=True, kw_only=True)
class InventedPractice:
    """One invented practice."""

    code: str  # Pseudonym, unique by its first three letters (they begin its case numbers)
    about: str  # Its habits in words
    n_treated: int  # Consecutive treated cases
    n_selected: int = 0  # Cases picked out for their good results, marked as selected
    n_untreated: int = 0  # Persons observed without treatment
    # Appliance category of the first phase -> relative liking; a category not named is not used
    habits: Mapping[str, float]
    age: tuple[float, float] = (12.0, 1.8)  # Mean and standard deviation of age at start of those under 18, in years
    adults: float = 0.05  # Share of adults among the treated
    class_shares: Mapping[str, float]  # Incisor class -> share
    type_shift: float = 0.0  # Mean vertical type in standard deviations
    two_phase: float = 0.8  # Probability that a first-phase appliance is followed by a second phase
    extraction_shift: float = 0.0  # Added to the log odds of extraction
    tracing: float = 1.0  # Point error as a multiple of the usual
    enlargement_pct: tuple[float, float] = (0.0, 0.0)  # Enlargement of the radiographs at start and later
    enlargement_known: bool = True  # Whether it is handed over
    n_examiners: int = 2  # How many people read the films; a file of one row a case holds the first only
    repeats: float = 0.12  # Share of films read a second time
    no_film: float = 0.1  # Probability that a finish radiograph was not taken although the treatment finished
    not_asked: float = 0.2  # Probability that joint and breathing questions were not asked
    measures: tuple[str, ...] = USUAL  # Measures handed over
    landmarks: Points = "none"  # Whether the films are handed over as points too, or as points instead of values
    layout: Layout = "tabular"  # What its files look like


LANTERN_BAY = (
    InventedPractice(
        code="HARBOUR",
        about="mostly fixed appliances in one phase, extracts readily, scores the bite before and after",
        n_treated=190,
        habits={
            "fixed_labial": 8,
            "headgear_high_pull": 1,
            "headgear_cervical": 1,
            "fixed_lingual": 0.4,
            "surgery": 0.5,
        },
        class_shares=CLASS_SHARES,
        age=(13.0, 1.6),
        adults=0.10,
        extraction_shift=0.7,
        measures=(*USUAL, *PAR_COMPONENTS),
    ),
    InventedPractice(
        code="QUARRY",
        about="removable or fixed functionals first, then fixed; older film equipment at constant enlargement",
        n_treated=170,
        habits={"functional_removable": 5, "functional_fixed": 2, "fixed_labial": 3, "headgear_cervical": 1},
        class_shares={"I": 0.2, "II/1": 0.6, "II/2": 0.15, "III": 0.05},
        age=(11.5, 1.5),
        extraction_shift=-0.7,
        tracing=0.8,
        enlargement_pct=(8.0, 8.0),
    ),
    InventedPractice(
        code="ORCHARD",
        about="keeps everything in a spreadsheet of its own making",
        n_treated=130,
        habits={"fixed_labial": 4, "expander_tooth_borne": 2, "functional_removable": 2, "removable_plate": 1},
        class_shares=CLASS_SHARES,
        enlargement_known=False,
        n_examiners=1,
        repeats=0.0,
        no_film=0.14,
        measures=CORE,
        layout="own_spreadsheet",
    ),
    InventedPractice(
        code="MILLRACE",
        about="starts early with expansion and postural training; hands over traced points and no values of films",
        n_treated=130,
        habits={"expander_tooth_borne": 4, "myofunctional": 3, "expander_bone_borne": 1, "fixed_labial": 2},
        class_shares=CLASS_SHARES,
        age=(9.8, 1.6),
        adults=0.0,
        type_shift=0.2,
        extraction_shift=-1.0,
        not_asked=0.05,
        measures=FULL,
        landmarks="instead",
    ),
    InventedPractice(
        code="LIGHTHOUSE",
        about="clear aligners, many adults, one row a case in the group's workbook",
        n_treated=140,
        habits={"clear_aligner": 6, "fixed_labial": 2, "fixed_lingual": 1, "surgery": 0.5},
        class_shares={"I": 0.55, "II/1": 0.3, "II/2": 0.1, "III": 0.05},
        age=(14.5, 1.6),
        adults=0.45,
        n_examiners=1,
        no_film=0.2,
        measures=(*USUAL, "lip_gap_mm", "facial_index_pct"),
        layout="template",
    ),
    InventedPractice(
        code="FERRY",
        about="headgear by face type, then fixed; shows some picked cases; changed its film equipment half-way",
        n_treated=130,
        n_selected=30,
        habits={"headgear_cervical": 3, "headgear_high_pull": 3, "headgear_combination": 1.5, "fixed_labial": 3},
        class_shares={"I": 0.25, "II/1": 0.6, "II/2": 0.1, "III": 0.05},
        age=(11.8, 1.5),
        tracing=1.4,
        enlargement_pct=(8.0, 10.0),
    ),
    InventedPractice(
        code="FOXGLOVE",
        about="many Class III children with a facemask; also watches children who are not treated",
        n_treated=110,
        n_untreated=110,
        habits={"facemask": 4, "expander_tooth_borne": 2, "fixed_labial": 3, "removable_plate": 1},
        class_shares={"I": 0.3, "II/1": 0.2, "II/2": 0.05, "III": 0.45},
        age=(9.8, 1.8),
        adults=0.02,
        measures=FULL,
    ),
)
