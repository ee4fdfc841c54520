"""Bootstrap intervals of the modelled and weighted comparisons."""

from __future__ import annotations

import pytest

from warehouse.errors import RequestError
from warehouse.marts.reader import Reader
from warehouse.plans.question import Question
from warehouse.questions.contrast import PairComparison, compare_pair
from warehouse.questions.methods import Resampling
from warehouse.words.sentences import caution_text

RESAMPLED = ("standardised", "overlap", "inverse")


def compared(
    reader: Reader, resampling: Resampling | None = None, *, first: str = "expander_tooth_borne"
) -> PairComparison:
    return compare_pair(
        reader,
        Question(by="appliance_category", first=first, second="fixed_labial", adjust=("sex",)),
        resampling=resampling,
    )


def intervals(found: PairComparison) -> list[object]:
    return [found.method(name).difference.interval for name in RESAMPLED]


def test_the_values_stay_and_the_intervals_are_those_of_the_resamples(reader: Reader) -> None:
    plain, drawn = compared(reader), compared(reader, Resampling(n=200))
    for name in RESAMPLED:
        one, two = plain.method(name).difference, drawn.method(name).difference
        assert two.value == pytest.approx(one.value, abs=1e-9)
        assert "percentile bootstrap of cases, 200 resamples" in two.method
        assert one.interval is not None
        assert two.interval is not None
        assert two.interval.low < two.value < two.interval.high
        # with this many cases both kinds of interval say much the same: ends within a quarter of the width
        assert two.interval.low == pytest.approx(one.interval.low, abs=(one.interval.high - one.interval.low) / 4)
        assert two.interval.high == pytest.approx(one.interval.high, abs=(one.interval.high - one.interval.low) / 4)
    assert drawn.method("crude") == plain.method("crude")


def test_the_seed_gives_the_same_intervals_again(reader: Reader) -> None:
    first, again, other = (compared(reader, Resampling(n=100, seed=seed)) for seed in (1, 1, 2))
    assert intervals(first) == intervals(again)
    assert intervals(first) != intervals(other)


def test_progress_is_told_in_words(reader: Reader) -> None:
    lines: list[str] = []
    compared(reader, Resampling(n=100, progress=lines.append))
    assert lines[0] == "standardised (logistic model): 10 of 100 resamples"
    assert lines[-1] == "inverse-probability-weighted: 100 of 100 resamples"
    assert len(lines) == 30


def test_an_empty_group_keeps_its_sentence(reader: Reader) -> None:
    found = compared(reader, Resampling(n=100), first="surgery")
    for name in RESAMPLED:
        difference = found.method(name).difference
        assert difference.value is None
        assert "nothing to compare" in caution_text(difference.warnings[0])


@pytest.mark.parametrize(("n", "seed"), [(10, 1), (1_000_000, 1), (200, -1)])
def test_what_gives_no_interval_is_refused(n: int, seed: int) -> None:
    with pytest.raises(RequestError):
        Resampling(n=n, seed=seed)
