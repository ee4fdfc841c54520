"""Units of numbers in files, and the factors that turn them into the contract's.

Only exact conversions are here: metres and centimetres, the international inch of 25.4 mm, radians, fractions, and
the months and years that the contract counts in days (30.4375 and 365.25).
"""

from math import pi

from warehouse.toml_files import shipped

DAYS_PER_YEAR = 365.25
DAYS_PER_MONTH = DAYS_PER_YEAR / 12

_SPELLINGS: dict[str, list[str]] = shipped("pipelines.contract", "words.toml")["units"]
_BY_SPELLING = {spelling: unit for unit, spellings in _SPELLINGS.items() for spelling in (unit, *spellings)}

_FACTORS = {
    ("cm", "mm"): 10.0,
    ("m", "mm"): 1000.0,
    ("inches", "mm"): 25.4,
    ("radians", "degrees"): 180.0 / pi,
    ("fraction", "percent"): 100.0,
    ("years", "months"): 12.0,
    ("weeks", "months"): 7.0 / DAYS_PER_MONTH,
    ("days", "months"): 1.0 / DAYS_PER_MONTH,
    ("months", "years"): 1.0 / 12.0,
    ("weeks", "years"): 7.0 / DAYS_PER_YEAR,
    ("days", "years"): 1.0 / DAYS_PER_YEAR,
}


def unit_named(word: str) -> str | None:
    """The unit that a word or sign names, or None."""
    return _BY_SPELLING.get(" ".join(word.lower().split()).rstrip("."))


def factor(unit: str, wanted: str) -> float | None:
    """What a number in ``unit`` is multiplied by to be in ``wanted``; None where they do not fit."""
    known = unit_named(unit)
    if known is None:
        return None
    return 1.0 if known == wanted else _FACTORS.get((known, wanted))


def units_for(wanted: str) -> tuple[str, ...]:
    """The units that can be turned into ``wanted``, itself first."""
    return (wanted, *(unit for unit, target in _FACTORS if target == wanted))


def all_units() -> tuple[str, ...]:
    """Every unit by its first name."""
    return tuple(_SPELLINGS)
