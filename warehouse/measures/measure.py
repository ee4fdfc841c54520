"""One measure: its name, meaning, unit, ranges, sign, norm and formula, in one frozen record."""

from dataclasses import dataclass
from typing import Literal, TypeAlias, get_args

from warehouse.measures.formulae import Formula

Unit: TypeAlias = Literal["degrees", "mm", "percent", "points"]
Family: TypeAlias = Literal["vertical", "sagittal", "dental", "occlusal", "photo", "own"]

UNITS: tuple[str, ...] = get_args(Unit)
FAMILIES: tuple[str, ...] = get_args(Family)
RANGES_SOURCE = "ranges chosen wide, to catch slips of reading and typing (common practice, no source)"


@dataclass(frozen=True, slots=True)
class Norm:
    """A reference value, with where it comes from and whom it is about."""

    mean: float  # The mean or ideal, in the measure's unit
    sd: float | None  # Its standard deviation, or None where the author gave none
    source: str  # Author and year, with "(from memory)" where it was not read in the source
    applies_to: str = "adults, both sexes"  # Whom it describes


@dataclass(frozen=True, slots=True)
class StatedError:
    """A standard error of measurement to fall back on until a practice has repeats of its own."""

    sem: float  # Standard error of one reading, in the measure's unit
    source: str  # Where it comes from


@dataclass(frozen=True, slots=True, kw_only=True)
class Measure:
    """A measure of the contract."""

    code: str  # Contract code; its ending names the unit
    label: str  # Trade name
    definition: str  # What it is, in one sentence
    unit: Unit  # `degrees`, `mm`, `percent` or `points`
    plausible: tuple[float, float]  # (low, high); a value outside is refused
    usual: tuple[float, float]  # (low, high); a value outside is kept with a warning
    up_means: str  # What a rise means, in a few words
    sign: Literal[-1, 0, 1]  # +1 where a rise means a longer face, -1 where a fall does, 0 where neither
    family: Family  # `vertical`, `sagittal`, `dental`, `occlusal`, `photo` or `own`
    # How landmarks (or component scores) make it, or None where it is only ever read by hand
    formula: Formula | None = None
    formula_text: str = ""  # The formula as it was written
    norm: Norm | None = None  # Reference value, or None. `other_norms` holds those for other groups.
    other_norms: tuple[Norm, ...] = ()
    method_error: StatedError | None = None  # Default standard error of measurement, or None where none could be named
    variants: tuple[str, ...] = ()  # Names of the variants that must not be mixed
    from_points: str = ""  # The variant that the formula makes, where reading by hand makes another; else empty
    views: tuple[str, ...] = ()  # Views the formula applies to, the first being the usual one
    needs_scale: bool = False  # True for a length from points: it needs mm, or pixels with a scale
    # True for a length that is only ever taken from a radiograph: values are kept as on the film and brought to
    # true size with the enlargement of the visit when the tables are published
    on_film: bool = False
    source: str = RANGES_SOURCE  # Where definition and ranges come from

    @property
    def on_photo(self) -> bool:
        """Whether it is usually taken from photographs."""
        return any(view.endswith("_photo") for view in self.views[:1])

    @property
    def integer_valued(self) -> bool:
        """Whether only whole numbers make sense (scores)."""
        return self.unit == "points"
