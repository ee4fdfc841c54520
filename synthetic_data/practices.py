"""The invented Lantern Bay study group (``practices.toml``): seven practices that do not exist, with their habits."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal

from synthetic_data.stated import stated

Layout = Literal["tabular", "template", "own_spreadsheet"]
Points = Literal["none", "beside", "instead"]

_STATED = stated("practices.toml")
CLASS_SHARES = {"I": 0.36, "II/1": 0.42, "II/2": 0.11, "III": 0.11}


def _measures(names: Sequence[str]) -> tuple[str, ...]:
    """Measures in order; a name of a set stands for what is in it."""
    sets = _STATED["measures"]
    return tuple(code for name in names for code in (_measures(sets[name]) if name in sets else (name,)))


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
    # Incisor class -> share
    class_shares: Mapping[str, float] = field(default_factory=lambda: CLASS_SHARES)
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
    measures: tuple[str, ...] = field(default_factory=lambda: _measures(("usual",)))  # Measures handed over
    landmarks: Points = "none"  # Whether the films are handed over as points too, or as points instead of values
    layout: Layout = "tabular"  # What its files look like


CORE = _measures(("core",))
LANTERN_BAY = tuple(
    InventedPractice(**{**one, "measures": _measures(one.get("measures", ("usual",)))}) for one in _STATED["practice"]
)
