"""What a group may know of a case, how each variable may be made coarser, and the words for the outcome.

The levels are trade groupings (common practice, no source). What is not recorded is merged with the group it stands out
least from, and the label says so: left on its own, a handful of such cases would force a variable to be dropped.
"""

from __future__ import annotations

from collections.abc import Sequence

from warehouse.disclosure.hierarchy import MISSING, Hierarchy
from warehouse.errors import RequestError, near_names
from warehouse.marts.grouping import AGE_BANDS, GROUPINGS, VERTICAL_TYPES
from warehouse.marts.statements import APPLIANCES

ADVERSE = "adverse"
NOT_ADVERSE = "not adverse"
NOT_KNOWN = "not known"
NOT_DUE = "not due"
RESULTS = (ADVERSE, NOT_ADVERSE, NOT_KNOWN, NOT_DUE)
"""What a case can have under a definition: counted either way, due but not known, or still in treatment."""

DEFAULT_VARIABLES = (
    "age_band",
    "sex",
    "appliance_category",
    "extraction",
    "vertical_type",
    "start_year",
)
DEFAULT_GROUPINGS = ("appliance_category", "age_band", "extraction")

_STAGES = GROUPINGS["growth_stage"].order
_MERGES: dict[str, tuple[dict[str, tuple[str, ...]], ...]] = {
    "age_band": (
        {"under 10": AGE_BANDS[:2], "10-13": AGE_BANDS[2:4], "14 and over, or not recorded": (*AGE_BANDS[4:], MISSING)},
        {"under 14": AGE_BANDS[:4]},
    ),
    "sex": ({"male, other or not recorded": ("male", "other", "unknown", MISSING)},),
    "appliance_category": (
        {
            "fixed appliance or aligner": ("fixed_labial", "fixed_lingual", "clear_aligner"),
            "functional appliance": ("functional_removable", "functional_fixed"),
            "headgear": ("headgear_cervical", "headgear_high_pull", "headgear_combination"),
            "expander": ("expander_tooth_borne", "expander_bone_borne"),
            "other or not recorded": (
                "facemask", "removable_plate", "myofunctional", "surgery", "untreated", MISSING,
            ),
        },
        {
            "growth appliance or other": (
                "functional_removable", "functional_fixed", "headgear_cervical", "headgear_high_pull",
                "headgear_combination", "expander_tooth_borne", "expander_bone_borne", "facemask", "removable_plate",
                "myofunctional", "surgery", "untreated", MISSING,
            )
        },
    ),
    "extraction": ({"non-extraction or not recorded": ("non-extraction", MISSING)},),
    "vertical_type": ({"low, average or not recorded": ("low", "average", MISSING)},),
    "incisor_class": (
        {"I or not recorded": ("I", MISSING), "II": ("II/1", "II/2")},
        {"I, III or not recorded": ("I", "III", MISSING)},
    ),
    "growth_stage": (
        {"before or around the growth spurt": _STAGES[:2], "after it, or not recorded": (_STAGES[2], MISSING)},
    ),
}  # fmt: skip
_BASES: dict[str, tuple[str, ...]] = {
    "age_band": AGE_BANDS,
    "sex": ("female", "male", "other", "unknown"),
    "appliance_category": APPLIANCES,
    "extraction": ("non-extraction", "extraction"),
    "vertical_type": VERTICAL_TYPES,
    "incisor_class": ("I", "II/1", "II/2", "III"),
    "growth_stage": _STAGES,
}
KNOWN_VARIABLES = (*_BASES, "start_year")


def hierarchy_of(name: str, *, years: tuple[int, int]) -> Hierarchy:
    """The levels of one variable.

    Args:
        name: One of ``KNOWN_VARIABLES``.
        years: First and last year of start told apart.

    Raises:
        RequestError: There is no such variable.
    """
    if name == "start_year":
        return _years(*years)
    if name not in _BASES:
        found = f"a group cannot agree on the variable {name!r}"
        raise RequestError(found, expected=", ".join(KNOWN_VARIABLES), remedy=near_names(name, KNOWN_VARIABLES))
    return Hierarchy.of_categories(name, (*_BASES[name], MISSING), *_MERGES[name])


def before(first: int) -> str:
    """The group of years before the first one told apart."""
    return f"before {first}"


def after(last: int) -> str:
    """The group of years after the last one told apart."""
    return f"after {last}"


def year_group(year: int | None, base: Sequence[str]) -> str:
    """The value of ``start_year`` for a year, among the base values of its hierarchy."""
    first, last = int(base[1]), int(base[-3])
    if year is None:
        return MISSING
    if year < first:
        return base[0]
    return base[-2] if year > last else str(year)


def _years(first: int, last: int) -> Hierarchy:
    if not 1950 <= first < last <= 2100:
        found = f"years of start from {first} to {last}"
        raise RequestError(found, expected="two years, the first before the last", remedy="state other years")
    years = [str(year) for year in range(first, last + 1)]
    merges = [_blocks(years, size, first, last) for size in (2, 4, 8)]
    return Hierarchy.of_categories("start_year", (before(first), *years, after(last), MISSING), *merges)


def _blocks(years: Sequence[str], size: int, first: int, last: int) -> dict[str, tuple[str, ...]]:
    """Years in blocks counted from the newest, so that the oldest block is the short one; the ends take in the rest."""
    starts = range(len(years) % size - size if len(years) % size else 0, len(years), size)
    blocks = [tuple(years[max(0, start) : start + size]) for start in starts]
    merged = {f"{block[0]} to {block[-1]}" if len(block) > 1 else block[0]: block for block in blocks}
    labels = list(merged)
    merged[f"{labels[0]} or earlier"] = (before(first), *merged.pop(labels[0]))
    newest = labels[-1] if len(labels) > 1 else f"{labels[0]} or earlier"
    merged[f"{newest} or later, or not recorded"] = (*merged.pop(newest), after(last), MISSING)
    return merged
