"""Who is at the door: the viewer of this session, from the environment, a proxy's header or Streamlit's login."""

import json
import os
from collections.abc import Mapping
from pathlib import Path

import streamlit as st
from streamlit.web.server.starlette.starlette_server_config import USER_COOKIE_NAME
from streamlit.web.server.starlette.starlette_websocket import _get_signed_cookie_with_chunks

from dashboard.access.command import ACCESS_VARIABLE, READ_ONLY_VARIABLE, VIEWER_VARIABLE
from dashboard.access.viewer import Viewer, access_list, viewer_named


def current_viewer() -> Viewer:
    """The viewer of this session; where nobody known is there, the page says so and ends."""
    access = os.environ.get(ACCESS_VARIABLE)
    if not access:
        may_write = not os.environ.get(READ_ONLY_VARIABLE)
        return viewer_named(os.environ.get(VIEWER_VARIABLE) or "owner", may_write=may_write)
    listed = access_list(Path(access))
    person = _person(listed.header)
    if not person:
        _ask_to_log_in(by_header=bool(listed.header))
    known = listed.people.get(person.casefold())
    if known is None or not (listed.header or is_verified(st.user)):
        st.title("Nothing to see here")
        st.write("You are logged in, but the access file of this warehouse does not name you. Ask whoever runs it.")
        offer_to_log_out()
        st.stop()
    return known


def current_person() -> str:
    """The name that the proxy or the login gives this person; nothing where nobody is asked for one."""
    access = os.environ.get(ACCESS_VARIABLE)
    return _person(access_list(Path(access)).header).casefold() if access else ""


def offer_to_log_out() -> None:
    """The way out, for who came in by the login."""
    if os.environ.get(ACCESS_VARIABLE) and st.user.get("is_logged_in"):
        st.button("Log out", on_click=st.logout)


def _person(header: str) -> str:
    if header:
        return str(st.context.headers.get(header) or "")
    return str(st.user.get("email") or "") if st.user.get("is_logged_in") else ""


def is_verified(claims: Mapping[str, object]) -> bool:
    """Whether a login stands for the address; without that, or with a no written as text, anybody may have given it."""
    return claims.get("email_verified") is True


def logged_in_by_cookie(cookies: Mapping[str, str]) -> str:
    """The verified address of the login that signed these cookies, for the gate; empty where there is none."""
    signed = _get_signed_cookie_with_chunks(dict(cookies), USER_COOKIE_NAME)
    claims = json.loads(signed) if signed else {}
    return str(claims.get("email") or "") if claims.get("is_logged_in") and is_verified(claims) else ""


def _ask_to_log_in(*, by_header: bool) -> None:
    st.title("Please log in")
    if by_header:
        st.write("The proxy in front of this dashboard did not say who you are. Open it through the usual address.")
    else:
        st.write("This warehouse is shown to people who are named in its access file.")
        st.button("Log in", on_click=st.login)
    st.stop()
