"""What may be shown: the smallest count, rounding, and from how many cases on a mean is shown."""

from __future__ import annotations

from dataclasses import dataclass, field

from warehouse.errors import RequestError


@dataclass(frozen=True, slots=True, kw_only=True)
class Policy:
    """A disclosure rule."""

    # Smallest count that may be shown; counts from 1 to `minimum - 1` are hidden, 0 is shown as 0. "Fewer than 5"
    # is the commonest local rule (common practice, no source).
    minimum: int = 5
    # Counts of at least `minimum` are shown rounded to this base, halves up; None shows them exactly
    round_to: int | None = None
    mean_minimum: int = 8  # Smallest number of cases for which a mean, median or standard deviation may be shown
    hides_nothing: bool = field(default=False, init=False)  # Whether it is the rule of the practice itself

    @classmethod
    def nothing_hidden(cls) -> Policy:
        """The rule for the practice itself: every count is shown. No file can state it."""
        policy = cls(mean_minimum=0)
        object.__setattr__(policy, "hides_nothing", True)
        return policy

    def __post_init__(self) -> None:
        if self.minimum < 3:
            found = f"A smallest count of {self.minimum}."
            raise RequestError(
                found,
                expected="at least 3; below that, a hidden count could only be 1",
                remedy="state a larger smallest count",
            )
        if self.round_to is not None and self.round_to < 2:
            found = f"Rounding to {self.round_to}."
            raise RequestError(found, expected="a base of at least 2, or none", remedy="state another base")

    def is_small(self, count: int) -> bool:
        """Whether a count must be hidden."""
        return not self.hides_nothing and 1 <= count < self.minimum

    def shown_value(self, count: int) -> int:
        """A count as shown: itself, or rounded to the base, halves up; 0 stays 0."""
        if self.round_to is None or count == 0:
            return count
        return (count + self.round_to // 2) // self.round_to * self.round_to

    def bounds_of(self, shown: int) -> tuple[int, int]:
        """The counts that would be shown as ``shown``, lowest and highest."""
        if self.round_to is None or shown == 0:
            return shown, shown
        low, high = shown - self.round_to // 2, shown + (self.round_to - 1) // 2
        return max(low, self.minimum), max(high, self.minimum)

    @property
    def small_label(self) -> str:
        """The words that stand for a hidden small count."""
        return f"fewer than {self.minimum}"
