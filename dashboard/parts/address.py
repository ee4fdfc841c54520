"""The address of a page holds codes: of filters, definition, pair, case.

It is read before a widget is drawn, and written after.

What is in the address and was not put there by the page (a link, the browser's way back) goes before what the widget
held. A name or value there is none of is refused: to let it go would show more cases than were asked for. A page
reached by a link of the side panel keeps the choices of the one before.
"""

from collections.abc import Callable, Collection, Mapping, Sequence
from typing import Any

import streamlit as st

from warehouse.errors import RequestError, near_names
from warehouse.export_safety import as_markdown
from warehouse.selection import FILTERS

NAMES = frozenset(
    {*FILTERS, "def", "cases", "by", "and", "first", "second", "case", "class", "message", "measure", "made", "of"}
    | {"whose", "usual", "notice", "alarm", "every", "alike", "token", "beside", "def2", "change", "job", "here"}
    | {"mark", "landmark", "missing"}
)
"""Every name an address may hold."""

NAMES_OF_PEOPLE = ("practice", "clinician")
TAKE_OUT = "Take it out of the address, or open the page anew from the side panel"
PICTURES = "pictures of the page"
_PAGE, _TURNED = "page of the address", "page was turned"


def opened(page: str) -> None:
    """Note which page is drawn, and refuse names in its address that no page knows."""
    st.session_state[_TURNED] = st.session_state.get(_PAGE) not in {None, page}
    st.session_state[_PAGE], st.session_state[PICTURES] = page, []
    for name in st.query_params:
        if name not in NAMES:
            st.title(page)
            found = f"the address of this page asks for {name!r}, and there is no such choice"
            raise RequestError(found, remedy=f"{near_names(name, NAMES)} {TAKE_OUT}".strip())


def pick(label: str, names: Mapping[str, str], *, key: str, first: str = "", is_short: bool = False) -> str:
    """One of these by its name, ``first`` at the start; the address keeps its code. ``is_short`` shows all at once."""
    usual = first if first in names else next(iter(names))
    _from_address(key, lambda given: checked(key, given[:1], names)[0] if given else usual)
    widget: Any = st.radio if is_short else st.selectbox  # of the two, a radio button reads Markdown
    shown = {code: as_markdown(name) if is_short else name for code, name in names.items()}
    code: str = widget(label, list(names), format_func=shown.__getitem__, key=key)
    _to_address(key, () if code == usual else (code,))
    return code


def picks(label: str, names: Mapping[str, str], *, key: str) -> tuple[str, ...]:
    """Any of these, told by their names; the address keeps their codes."""
    _from_address(key, lambda given: list(checked(key, given, names)))
    codes = st.multiselect(label, list(names), format_func=names.__getitem__, key=key, placeholder="all")
    _to_address(key, codes)
    return tuple(codes)


def number(label: str, low: float, high: float, usual: float | None, step: float, *, key: str) -> float | None:
    """A number between two others, or none where there is no usual one; the address keeps it."""

    def read(given: Sequence[str]) -> float | None:
        try:
            value: float | None = type(low)(given[0]) if given else usual
        except ValueError:
            value = None
        if given and (value is None or not low <= value <= high):
            found = f"the address asks for {key} {given[0]!r}"
            raise RequestError(found, expected=f"{low:g} to {high:g}", remedy=f"give a number from {low:g} to {high:g}")
        return value

    _from_address(key, read)
    how: dict[str, Any] = {"value": None} if usual is None else {}
    value: float | None = st.number_input(label, low, high, step=step, key=key, **how)
    _to_address(key, () if value == usual else (f"{value:g}",))
    return value


def toggled(label: str, *, key: str) -> bool:
    """Yes or no; the address keeps a yes."""
    _from_address(key, lambda given: bool(checked(key, given, ("true",))))
    is_on = st.toggle(label, key=key)
    _to_address(key, ("true",) if is_on else ())
    return is_on


def in_address() -> dict[str, list[str]]:
    """Every choice in the address: name -> codes."""
    return {name: st.query_params.get_all(name) for name in st.query_params}


def held(key: str) -> str:
    """What a picture or a button put into the address under a name; empty where nothing is."""
    _from_address(key, lambda given: given[0] if given else "")
    code: str = st.session_state[key]
    _to_address(key, (code,) if code else ())
    return code


def checked(key: str, given: Sequence[str], offered: Collection[str]) -> Sequence[str]:
    """The codes given, all of which must be offered: RequestError else, and nothing is shown in its place."""
    for code in given:
        if code not in offered:
            what = key.replace("_", " ")
            named = what if key in NAMES_OF_PEOPLE else f"{what} {code!r}"
            found = f"the address of this page asks for {named}, and there is no such {what} here"
            listed = ", ".join(sorted(offered)[:12])
            raise RequestError(found, expected=listed, remedy=f"{near_names(code, offered)} {TAKE_OUT}".strip())
    return given


def let_go(*keys: str) -> None:
    """Take choices off; for a button."""
    for key in keys:
        keep(key, ())


def keep(key: str, codes: Sequence[str]) -> None:
    """Make a choice in the address, as a link would; for what is chosen in a picture."""
    if codes:
        st.query_params[key] = list(codes)
    elif key in st.query_params:
        del st.query_params[key]
    for held in (key, _kept(key)):
        st.session_state.pop(held, None)
    st.session_state[_PAGE] = None  # the address goes before what was kept


def _from_address(key: str, read: Callable[[Sequence[str]], Any]) -> None:
    given, kept = tuple(st.query_params.get_all(key)), st.session_state.get(_kept(key))
    if st.session_state.get(_TURNED) and kept and not given:
        try:
            st.session_state[key] = read(kept)
        except RequestError:  # this page has no such choice
            st.session_state[key] = read(())
    elif given != (kept or ()) or key not in st.session_state:
        st.session_state[key] = read(given)


def _to_address(key: str, codes: Sequence[str]) -> None:
    if tuple(st.query_params.get_all(key)) != tuple(codes):
        if codes:
            st.query_params[key] = list(codes)
        else:
            del st.query_params[key]
    st.session_state[_kept(key)] = tuple(codes)


def _kept(key: str) -> str:
    return f"{key} in the address"
