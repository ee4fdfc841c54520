"""The catalogue of measures: every code of the contract, and those a practice adds."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping

from warehouse.errors import DefinitionError, near_names
from warehouse.measures.jaw_and_tooth_measures import DENTAL_MEASURES, LIP_MEASURES, SAGITTAL_MEASURES
from warehouse.measures.measure import Measure
from warehouse.measures.occlusal_and_photo_measures import OCCLUSAL_MEASURES, PHOTO_MEASURES
from warehouse.measures.own_measures import load_own_measures
from warehouse.measures.vertical_measures import VERTICAL_MEASURES

__all__ = ["CATALOGUE", "Catalogue", "Measure", "load_own_measures", "measure"]


class Catalogue(Mapping[str, Measure]):
    """Measures by code, in a fixed order; looking up an unknown code offers near names.

    Args:
        measures: The measures; a code may occur once.

    Raises:
        DefinitionError: A code occurs twice.
    """

    __slots__ = ("_by_code",)

    def __init__(self, measures: Iterable[Measure]) -> None:
        self._by_code: dict[str, Measure] = {}
        for entry in measures:
            if entry.code in self._by_code:
                message = f"The measure {entry.code!r} is defined twice."
                raise DefinitionError(
                    message,
                    where="catalogue of measures",
                    expected="each code once; a built-in measure cannot be replaced",
                    remedy="give the added measure another code",
                )
            self._by_code[entry.code] = entry

    def __getitem__(self, code: str) -> Measure:
        """The measure with that code; KeyError if there is none (see :meth:`measure` for the kind error)."""
        return self._by_code[code]

    def __iter__(self) -> Iterator[str]:
        """The codes, in catalogue order."""
        return iter(self._by_code)

    def __len__(self) -> int:
        """How many measures there are."""
        return len(self._by_code)

    def measure(self, code: str) -> Measure:
        """The measure with that code.

        Raises:
            DefinitionError: There is none; the message offers near codes.
        """
        found = self._by_code.get(code)
        if found is not None:
            return found
        message = f"There is no measure called {code!r}."
        raise DefinitionError(
            message,
            where="measure code",
            expected=f"one of {', '.join(self._by_code)}",
            remedy=near_names(code, self._by_code) or "choose one of the listed codes, or define your own",
        )

    def with_own(self, own: Iterable[Measure]) -> Catalogue:
        """This catalogue and the measures a practice adds.

        Raises:
            DefinitionError: An added code is already taken.
        """
        return Catalogue((*self._by_code.values(), *own))

    def of_family(self, family: str) -> tuple[Measure, ...]:
        """The measures of one family, in catalogue order."""
        return tuple(entry for entry in self._by_code.values() if entry.family == family)


CATALOGUE = Catalogue(
    (
        *VERTICAL_MEASURES,
        *SAGITTAL_MEASURES,
        *DENTAL_MEASURES,
        *PHOTO_MEASURES,
        *LIP_MEASURES,
        *OCCLUSAL_MEASURES,
    )
)


def measure(code: str) -> Measure:
    """The built-in measure with that code.

    Raises:
        DefinitionError: There is none; the message offers near codes.
    """
    return CATALOGUE.measure(code)
