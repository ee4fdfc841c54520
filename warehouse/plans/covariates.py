"""What a comparison can be adjusted for, how it enters, and what no record holds."""

from collections.abc import Iterable
from dataclasses import dataclass

from warehouse.analysis.inputs import Covariate
from warehouse.errors import RequestError, near_names
from warehouse.selection import Variable, listed, stated


@dataclass(frozen=True, slots=True, kw_only=True)
class Adjustable:
    """A variable that can be adjusted for."""

    name: str  # Its column in a case table
    title: str  # Its name in a sentence
    covariate: Covariate  # How it enters a model
    banded: str  # The column that stands for it where strata are wanted
    note: str = ""  # What to keep in mind when adjusting for it; empty if nothing


def _adjustable(variable: Variable) -> Adjustable:
    stated = variable.adjust or {}
    enters = {key: stated[key] for key in ("kind", "n_knots") if key in stated}
    return Adjustable(
        name=variable.name,
        title=stated.get("title", variable.title.lower()),
        covariate=Covariate(name=variable.name, **{"kind": "category", **enters}),
        banded=stated.get("banded", variable.name),
        note=stated.get("note", ""),
    )


ADJUSTABLE: dict[str, Adjustable] = {one.name: _adjustable(one) for one in listed("adjustable")}

DEFAULT_ADJUSTMENT = tuple(one.name for one in listed("usual"))
DEFAULT_STRATA = ("vertical_type", "face_form", "age_band")

NOT_MEASURED = tuple(stated("not_measured")["listed"])
"""What is not in the records and so cannot be adjusted for, in words."""


def adjustables(names: Iterable[str]) -> tuple[Adjustable, ...]:
    """The variables of these names, each once.

    Raises RequestError: there is none of that name; near names are offered.
    """
    found = []
    for wanted in dict.fromkeys(names):
        if wanted not in ADJUSTABLE:
            message = f"a comparison cannot be adjusted for {wanted!r}"
            raise RequestError(message, expected=", ".join(ADJUSTABLE), remedy=near_names(wanted, ADJUSTABLE))
        found.append(ADJUSTABLE[wanted])
    return tuple(found)


def default_strata(adjust: Iterable[str]) -> tuple[str, ...]:
    """Strata for these variables: vertical type and age band where adjusted for, else the first one, banded."""
    banded = [item.banded for item in adjustables(adjust) if item.name != "months_observed"]
    usual = tuple(column for column in DEFAULT_STRATA if column in banded)
    return usual or tuple(banded[:1])


def check_strata(names: Iterable[str]) -> tuple[str, ...]:
    """The strata columns, each once. Raises RequestError: a name is no banded variable."""
    known = tuple(dict.fromkeys(item.banded for item in ADJUSTABLE.values() if item.banded != "months_observed"))
    listed = tuple(dict.fromkeys(names))
    for wanted in listed:
        if wanted not in known:
            message = f"strata cannot be made of {wanted!r}"
            raise RequestError(message, expected=", ".join(known), remedy=near_names(wanted, known))
    return listed
