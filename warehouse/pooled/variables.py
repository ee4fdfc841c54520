"""What a group may know of a case, how each variable may be made coarser, and the words for the outcome."""

from collections.abc import Sequence

from warehouse.disclosure.hierarchy import MISSING, Hierarchy
from warehouse.errors import RequestError, near_names
from warehouse.selection import listed

ADVERSE = "adverse"
NOT_ADVERSE = "not adverse"
NOT_KNOWN = "not known"
NOT_DUE = "not due"
RESULTS = (ADVERSE, NOT_ADVERSE, NOT_KNOWN, NOT_DUE)
"""What a case can have under a definition: counted either way, due but not known, or still in treatment."""

DEFAULT_VARIABLES = ("age_band", "sex", "appliance_category", "extraction", "vertical_type", "start_year")
DEFAULT_GROUPINGS = ("appliance_category", "age_band", "extraction")

_POOLED = {variable.name: variable for variable in listed("pooled")}
KNOWN_VARIABLES = (*_POOLED, "start_year")


def hierarchy_of(name: str, *, years: tuple[int, int]) -> Hierarchy:
    """The levels of one of ``KNOWN_VARIABLES`` (else RequestError), first to last year of start told apart."""
    if name == "start_year":
        return _years(*years)
    if name not in _POOLED:
        found = f"a group cannot agree on the variable {name!r}"
        raise RequestError(found, expected=", ".join(KNOWN_VARIABLES), remedy=near_names(name, KNOWN_VARIABLES))
    return Hierarchy.of_categories(name, (*_POOLED[name].values, MISSING), *_POOLED[name].coarser)


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
