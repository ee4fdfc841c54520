"""Who is looking, and what they may see.

``owner`` sees every case and may bring in files; ``practice`` sees the cases of one practice; ``coordinator`` sees
tables in which small counts are hidden. Alone on one's own machine one is the owner. When others are served, an
access file says who is who (``dashboard/serving.md`` shows one); a person who is not in it sees nothing. A header is
only to be trusted where nothing but the proxy can reach the dashboard, so leave the address at 127.0.0.1 then.
"""

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Literal, TypeAlias

from warehouse.errors import RequestError
from warehouse.toml_files import toml_from, toml_text

Role: TypeAlias = Literal["owner", "practice", "coordinator"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Viewer:
    """Someone who looks at the dashboard."""

    role: Role  # What they may see
    practice: str = ""  # The one practice they may see; empty unless the role is `practice`
    may_write: bool = False  # Whether they may bring in files

    @property
    def sees_cases(self) -> bool:
        """Whether single cases may be shown."""
        return self.role != "coordinator"

    @property
    def words(self) -> str:
        """Who they are, for the screen."""
        if self.role == "practice":
            return f"You see the cases of {self.practice}."
        if self.role == "coordinator":
            return "You see tables in which small counts are hidden, and no single case."
        return "You see every case in this warehouse."

    def must_write(self, what: str = "change") -> None:
        """Refuse (RequestError) one who may look alone; ``what`` it is that they may not do."""
        if not self.may_write:
            raise RequestError(f"you may look, but not {what}", remedy="ask whoever runs this warehouse")


@dataclass(frozen=True, slots=True)
class AccessList:
    """Who may see what: the header that names a person (empty for Streamlit's login), and the people."""

    header: str
    people: Mapping[str, Viewer]
    proxy_secret: str = ""  # What the proxy says in X-Menton-Proxy-Secret, so that nobody else can name a person


def viewer_named(text: str, *, may_write: bool = False) -> Viewer:
    """The viewer of ``owner``, ``coordinator`` or ``practice:PSEUDONYM``, else RequestError; only owners may write."""
    role, _, practice = text.partition(":")
    if role == "practice" and practice:
        return Viewer(role="practice", practice=practice)
    if text == "coordinator":
        return Viewer(role="coordinator")
    if text == "owner":
        return Viewer(role="owner", may_write=may_write)
    found = f"there is no viewer {text!r}"
    raise RequestError(found, expected="owner, coordinator or practice:PSEUDONYM", remedy="name one of these")


def access_list(path: Path) -> AccessList:
    """The access file; RequestError where it cannot be read or is not understood."""
    try:
        data = toml_from(toml_text(path))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        found = "the access file cannot be read"
        raise RequestError(found, where=path.name, remedy="name a TOML file; see `menton dashboard --help`") from error
    people = data.get("people", {})
    unknown = sorted(set(data) - {"header", "people", "proxy_secret"})
    header, proxy_secret = data.get("header", ""), data.get("proxy_secret", "")
    if unknown or not isinstance(people, dict) or not isinstance(header, str) or not isinstance(proxy_secret, str):
        found = f"the access file says what is not understood: {', '.join(unknown) or 'header, proxy_secret or people'}"
        raise RequestError(found, where=path.name, expected="header = text, proxy_secret = text, and a table a person")
    known = {name.casefold(): _person(name, body, path) for name, body in people.items()}
    return AccessList(header, known, proxy_secret)


def _person(name: str, body: object, path: Path) -> Viewer:
    if isinstance(body, dict) and set(body) <= {"role", "practice", "may_write"}:
        role, practice, may_write = body.get("role"), body.get("practice", ""), body.get("may_write", False)
        if role == "owner" and not practice and isinstance(may_write, bool):
            return Viewer(role="owner", may_write=may_write)
        if role == "coordinator" and not practice and not may_write:
            return Viewer(role="coordinator")
        if role == "practice" and isinstance(practice, str) and practice and not may_write:
            return Viewer(role="practice", practice=practice)
    found = f"the entry of {name!r} is not understood"
    expected = 'role = "coordinator"; or role = "practice" with practice; or role = "owner", with may_write if wanted'
    raise RequestError(found, where=path.name, expected=expected)
