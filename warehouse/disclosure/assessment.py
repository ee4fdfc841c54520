"""How anonymous rows are: k-anonymity and distinct l-diversity.

Rows that agree in every variable a stranger might know (the quasi-identifiers) form a class. ``k`` is the size of the
smallest class (Sweeney 2002). ``l`` is how many different values of a sensitive variable the poorest class still has
(Machanavajjhala et al. 2007). A class can be k-anonymous and still tell: if all of it is adverse, so is everybody in
it.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType

import polars as pl

from warehouse.errors import RequestError


@dataclass(frozen=True, slots=True, kw_only=True)
class Anonymity:
    """How anonymous rows are."""

    k: int | None  # Size of the smallest class; None without rows
    # Sensitive variable -> fewest different values in a class; None where none is recorded
    distinct_l: Mapping[str, int | None]
    classes: int  # Number of classes

    def meets(self, *, k: int, l: int = 1) -> bool:  # noqa: E741 - the name the literature gives it
        """Whether every class has ``k`` rows and every sensitive variable ``l`` different values in it."""
        enough = all(found is None or found >= l for found in self.distinct_l.values())
        return self.k is not None and self.k >= k and enough


def assess(frame: pl.DataFrame, *, quasi: Sequence[str], sensitive: Sequence[str] = ()) -> Anonymity:
    """Assess rows, one case a row.

    Among ``quasi``, what a stranger might know, a missing value counts as a value of its own; without any, all rows are
    one class. Among ``sensitive``, what must not be learnt, it counts as none: a class in which none is recorded has
    nothing to tell and is left out of the minimum.
    """
    missing = [name for name in (*quasi, *sensitive) if name not in frame.columns]
    if missing:
        found = f"No column {', '.join(missing)}."
        raise RequestError(found, expected="columns of the frame", remedy="check the names of the variables")
    by = [f"quasi {name}" for name in quasi] or ["quasi"]
    keys = [pl.col(name).alias(f"quasi {name}") for name in quasi] or [pl.lit(1).alias("quasi")]
    keyed = frame.with_columns(keys)
    sizes = keyed.group_by(by).len(name="size")["size"]
    diversity = {name: _diversity(keyed.rename({name: "value"}), by) for name in sensitive}
    return Anonymity(k=min(sizes.to_list(), default=None), distinct_l=MappingProxyType(diversity), classes=sizes.len())


def _diversity(keyed: pl.DataFrame, by: list[str]) -> int | None:
    """Smallest number of values in a class; None where nothing is recorded."""
    values = keyed.drop_nulls("value").group_by(by).agg(pl.col("value").n_unique())["value"]
    return min(values.to_list(), default=None)
