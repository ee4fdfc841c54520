"""Starts the server behind the gate, once what the first page asks for is imported: it opens as soon as any other.

``python -m dashboard.entry.serve --server.port=8521 ...`` takes the settings of Streamlit as words; who is let in is
said by the environment (``dashboard/access/command.py``).
"""

import gc
import os
import sys
from importlib import import_module
from pathlib import Path
from typing import Any

import streamlit as st
from starlette.middleware import Middleware
from streamlit.runtime import get_instance

from dashboard.access.ask import ANSWERS
from dashboard.access.command import (
    ACCESS_VARIABLE,
    APP,
    ORIGINS_VARIABLE,
    READ_ONLY_VARIABLE,
    TOKEN_VARIABLE,
    VIEWER_VARIABLE,
)
from dashboard.access.gate import Gate, House
from dashboard.access.sign_in import logged_in_by_cookie
from dashboard.access.viewer import access_list, viewer_named

MOST_READERS = 4  # processes that read, where there are as many processors

FIRST = (
    *("dashboard.parts.filters", "dashboard.parts.navigation", "warehouse.words.contrasts"),
    *("dashboard.charts.course", "dashboard.charts.intervals", "dashboard.charts.sampling"),
)
"""What the first page is made of. Others bring what they need when first opened, and the first table brings pandas."""


def import_pages_modules() -> None:
    """Import what the first page will ask for; the pages themselves are scripts, which draw when they are run."""
    for name in FIRST:
        import_module(name)


def house() -> House:
    """Who is let in, from the environment; the token is taken out of it."""
    origins = frozenset(os.environ[ORIGINS_VARIABLE].split())
    token = os.environ.pop(TOKEN_VARIABLE, "")
    access = os.environ.get(ACCESS_VARIABLE)
    if access:
        return House(origins=origins, access=access_list(Path(access)), logged_in=logged_in_by_cookie)
    may_write = not os.environ.get(READ_ONLY_VARIABLE)
    viewer = viewer_named(os.environ.get(VIEWER_VARIABLE) or "owner", may_write=may_write)
    return House(origins=origins, token=token, may_write=viewer.may_write)


def settings(words: list[str]) -> dict[str, Any]:
    """Streamlit's settings from words such as ``--server.port=8521``."""
    pairs = (word.removeprefix("--").partition("=") for word in words)
    return {name: _typed(name, value) for name, _, value in pairs}


def _typed(name: str, value: str) -> Any:  # noqa: ANN401 - what the setting is
    if name == "secrets.files":
        return [value]
    if value in {"true", "false"}:
        return value == "true"
    return int(value) if value.isdecimal() else value


if __name__ == "__main__":
    ANSWERS.start(min(MOST_READERS, os.cpu_count() or 1))  # they come up while this one imports
    import_pages_modules()
    gc.freeze()  # what is imported stays, and is not looked through again
    sys.setswitchinterval(0.001)  # a short question is answered while pages are drawn
    st.App(APP, middleware=[Middleware(Gate, house=house(), runtime=get_instance)]).run(config=settings(sys.argv[1:]))
