"""How a variable may be made coarser: declared steps, each merging values of the step before."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType

from warehouse.errors import DefinitionError

ANY = "any"
MISSING = "missing"


@dataclass(frozen=True, slots=True)
class Hierarchy:
    """The levels of one variable."""

    name: str  # The variable
    base: tuple[str, ...]  # Its values as they are, each once
    # Level -> value -> label. Level 0 leaves every value as it is; each further level merges labels of the one
    # before and never splits one.
    levels: tuple[Mapping[str, str], ...]

    def __post_init__(self) -> None:
        if len(set(self.base)) != len(self.base) or not self.base:
            self._refuse("values that are missing or named twice", "each value once")
        for level in self.levels:
            if set(level) != set(self.base):
                self._refuse("a level that does not cover its values", "a label for each value at every level")
        for fine, coarse in zip(self.levels, self.levels[1:], strict=False):
            pairs = {(fine[value], coarse[value]) for value in self.base}
            if len(pairs) != len({label for label, _ in pairs}):
                self._refuse("a level that splits a group of the level before", "levels that only merge")

    def _refuse(self, what: str, expected: str) -> None:
        found = f"The hierarchy of {self.name} has {what}."
        raise DefinitionError(found, where=self.name, expected=expected, remedy="correct the hierarchy")

    @classmethod
    def of_categories(cls, name: str, base: Sequence[str], *merges: Mapping[str, Sequence[str]]) -> Hierarchy:
        """A hierarchy of named merges; its last level merges everything into "any", which drops the variable.

        ``merges`` holds one mapping a level, label -> the base values merged under it; values not named keep the label
        they had.
        """
        levels = [{value: value for value in base}]
        for merge in merges:
            named = {value: label for label, values in merge.items() for value in values}
            levels.append({value: named.get(value, levels[-1][value]) for value in base})
        if len(set(levels[-1].values())) > 1:
            levels.append(dict.fromkeys(base, ANY))
        return cls(name, tuple(base), tuple(MappingProxyType(level) for level in levels))

    def penalty(self, level: int) -> Mapping[str, float]:
        """Normalised certainty penalty of each value: ``(size of its group - 1) / (number of values - 1)``.

        0 for a value left alone, 1 for "any" (Xu et al. 2006; from memory).
        """
        labels = self.levels[level]
        sizes = Counter(labels.values())
        span = max(1, len(self.base) - 1)
        return {value: (sizes[label] - 1) / span for value, label in labels.items()}
