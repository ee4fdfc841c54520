"""The one gate before every endpoint of the served dashboard: which addresses it answers to, and who asks.

An ASGI layer in front of Streamlit's server. Nothing behind it (pages, stream, uploads, media, health) sees a request
that was not let in; a refusal is one sentence of plain text.
"""

from __future__ import annotations

import asyncio
import hashlib
import hmac
import secrets
from collections.abc import Callable, Iterable, Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from http.cookies import CookieError, SimpleCookie
from pathlib import Path
from typing import Any, Protocol, TypeAlias
from urllib.parse import parse_qsl, urlencode, urlsplit

from google.protobuf.message import DecodeError  # type: ignore[import-untyped]
from streamlit.proto.BackMsg_pb2 import BackMsg
from streamlit.proto.ForwardMsg_pb2 import ForwardMsg

from dashboard.access.viewer import AccessList, Viewer

Scope: TypeAlias = Any
Receive: TypeAlias = Any
Send: TypeAlias = Any

TOKEN = "token"  # noqa: S105 - the name of a part of the address
PROXY_SECRET_HEADER = "x-menton-proxy-secret"  # noqa: S105 - the name of a header
UPLOADS = "/_stcore/upload_file/"
STREAM = "/_stcore/stream"
CLOSED = ("/_stcore/metrics", "/_stcore/st-metrics", "/_stcore/script-health-check", "/_stcore/agent")
"""Endpoints that tell about the program or drive it: for nobody."""
MEDIA = "/media/"

MEBIBYTE = 1024 * 1024
CAP_FOR_ONE = 400 * MEBIBYTE
CAP_FOR_ALL = 1000 * MEBIBYTE
MOST_STRANGERS = 20
"""Open pages of people who are not known: each may hold a message, so there are not to be many."""
GRACE_SECONDS = 30.0  # how long a session that lost its connection keeps its files, should it come back

NO_ENTRY = (
    "This dashboard is shown to whoever opens it by the address that `menton dashboard` printed; "
    "each such address works once, for one browser. To open it again, stop the command and start it anew."
)


class Uploads(Protocol):
    """What the gate asks of the store of uploaded files."""

    def get_files(self, session_id: str, file_ids: Any, /) -> Any: ...  # noqa: ANN401, D102
    def remove_session_files(self, session_id: str, /) -> None: ...  # noqa: D102


class Sessions(Protocol):
    """What the gate asks of the server behind it."""

    @property
    def uploaded_file_mgr(self) -> Uploads: ...  # noqa: D102
    def is_active_session(self, session_id: str, /) -> bool: ...  # noqa: D102


class GateRefusal(Exception):  # noqa: N818 - it is an answer, not an error of ours
    """A request that is not let in: the status and the sentence it is answered with."""

    def __init__(self, status: int, sentence: str) -> None:
        super().__init__(sentence)
        self.status, self.sentence = status, sentence


@dataclass(frozen=True, slots=True, kw_only=True)
class House:
    """Which addresses are answered to, and who is let in."""

    origins: frozenset[str]  # Such as "http://127.0.0.1:8521"; a default port is left out
    token: str = ""  # Of this machine alone: what opens the door once; empty where others are served
    may_write: bool = False  # Of this machine alone: whether files may be brought in
    access: AccessList | None = None  # Where others are served: who may see what
    logged_in: Callable[[Mapping[str, str]], str] = lambda _: ""  # Cookies -> the verified address of a login, or ""

    @property
    def hosts(self) -> frozenset[str]:
        """What the header Host may say."""
        return frozenset(urlsplit(origin).netloc for origin in self.origins)


@dataclass(slots=True)
class Held:
    """Uploaded bytes by session and file, with whose they are: what is held now, not what ever came."""

    taken: dict[tuple[str, str], tuple[str, int]] = field(default_factory=dict)
    arriving: set[tuple[str, str]] = field(default_factory=set)

    def reserve(self, person: str, key: tuple[str, str], size: int) -> None:
        """Count a file that is about to arrive; GateRefusal where it is too much for this person, or for all."""
        others = {at: one for at, one in self.taken.items() if at != key}
        if key in self.arriving:
            raise GateRefusal(409, "This file is arriving already.")
        if sum(held for whose, held in others.values() if whose == person) + size > CAP_FOR_ONE:
            limit = f"{CAP_FOR_ONE // MEBIBYTE} MiB"
            raise GateRefusal(
                413, f"You may have {limit} of files open at a time: bring in or remove the others first."
            )
        if sum(held for _, held in others.values()) + size > CAP_FOR_ALL:
            raise GateRefusal(
                503, "Others are bringing in files just now and there is no room for more: try again later."
            )
        self.taken[key] = (person, size)
        self.arriving.add(key)

    def let_go(self, runtime: Sessions) -> None:
        """Drop files of sessions that ended, and forget what is not held any more."""
        for session in {session for session, _ in self.taken}:
            if not runtime.is_active_session(session):
                runtime.uploaded_file_mgr.remove_session_files(session)
        for session, file in [key for key in self.taken if key not in self.arriving]:
            if not runtime.uploaded_file_mgr.get_files(session, [file]):
                del self.taken[session, file]


class Gate:
    """Lets in who belongs in, and answers all others with a sentence."""

    def __init__(
        self, app: Callable[[Scope, Receive, Send], Any], *, house: House, runtime: Callable[[], Sessions]
    ) -> None:
        if not house.token and house.access is None:
            raise ValueError("a gate needs a token or an access file")
        self.app, self.house, self.runtime = app, house, runtime
        self.unspent = house.token
        self.cookie_value = secrets.token_urlsafe(32)
        port = urlsplit(min(house.origins)).port or ""
        self.cookie_name = f"menton_{port}"  # cookies are shared by all ports of a host
        self.held = Held()
        self.strangers = 0
        self.offered: dict[str, set[str]] = {}  # Files by the person to whom a page offered them
        self.waiting: set[asyncio.Task[None]] = set()
        root = str(Path(__file__).resolve().parents[2]).encode()
        self.hidden = (root, b"/" + b"_" * (len(root) - 1))  # of one length: messages keep their own

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request, or pass it on."""
        if scope["type"] not in {"http", "websocket"}:
            await self.app(scope, receive, send)
            return
        try:
            entered = self._entered(scope)
            if entered is not None:
                await _answer(send, 303, "", [(b"location", entered), (b"set-cookie", self._cookie())])
                return
            person, viewer = self._asking(scope)
            await self._pass_on(self._plain(scope), receive, send, person, viewer)
        except GateRefusal as refusal:
            await _refuse(scope, receive, send, refusal)

    def _entered(self, scope: Scope) -> bytes | None:
        """Check the address asked; where the token opens the door, the address to go on to."""
        headers = _Headers(scope["headers"])
        host, origin = headers.only("host"), headers.only("origin")
        if host is None or host.casefold() not in self.house.hosts:
            raise GateRefusal(
                421, "This dashboard does not answer to that name: open it at the one it was started with."
            )
        if scope["type"] == "websocket" and origin is None:
            raise GateRefusal(403, "This connection does not say which page it comes from.")
        if origin is not None and origin.casefold() not in self.house.origins:
            raise GateRefusal(403, "This dashboard does not answer pages of other addresses.")
        path = scope["path"]
        if any(path == one or path.startswith(f"{one}/") for one in CLOSED):
            raise GateRefusal(404, "There is nothing here.")
        if scope["type"] == "websocket" and path != STREAM:
            raise GateRefusal(404, "There is nothing here.")
        if not self.house.token or scope["type"] != "http":
            return None
        query = parse_qsl(scope["query_string"].decode("latin-1"), keep_blank_values=True)
        given = [value for name, value in query if name == TOKEN]
        if not given or scope["method"] != "GET":
            return None
        if _same(given[0], self.unspent):
            self.unspent = ""
        elif not self._knows(headers):
            raise GateRefusal(403, NO_ENTRY)
        rest = urlencode([(name, value) for name, value in query if name != TOKEN])
        at: bytes = scope.get("raw_path", path.encode()).partition(b"?")[0]
        return b"/" + at.lstrip(b"/\\") + (f"?{rest}".encode() if rest else b"")

    def _asking(self, scope: Scope) -> tuple[str, Viewer | None]:
        """Who asks and what they may see; None for a person who is not known, who gets the page that says so."""
        headers, house = _Headers(scope["headers"]), self.house
        if house.access is None:
            if not self._knows(headers):
                raise GateRefusal(403, NO_ENTRY)
            return "owner", Viewer(role="owner", may_write=house.may_write)
        listed = house.access
        if listed.header:
            if listed.proxy_secret and not _same(headers.only(PROXY_SECRET_HEADER) or "", listed.proxy_secret):
                raise GateRefusal(403, "This request did not come through the proxy: open the usual address.")
            person = headers.only(listed.header) or ""
        else:
            person = house.logged_in(headers.cookies())
        known = listed.people.get(person.casefold()) if person else None
        return person.casefold(), known

    def _knows(self, headers: _Headers) -> bool:
        return _same(headers.cookies().get(self.cookie_name, ""), self.cookie_value)

    def _cookie(self) -> bytes:
        return f"{self.cookie_name}={self.cookie_value}; Path=/; HttpOnly; SameSite=Strict".encode()

    def _plain(self, scope: Scope) -> Scope:
        """The request as Streamlit sees it: of one address, so that it never asks the network for its own."""
        headers = _Headers(scope["headers"])
        origin = headers.only("origin")
        kept = [pair for pair in scope["headers"] if pair[0].lower() != PROXY_SECRET_HEADER.encode()]
        if origin is not None and scope["type"] == "http":
            kept = [pair for pair in kept if pair[0].lower() != b"origin"]
        elif origin is not None:
            kept = [pair for pair in kept if pair[0].lower() != b"host"]
            kept.append((b"host", urlsplit(origin).netloc.encode()))
        return {**scope, "headers": kept}

    async def _pass_on(self, scope: Scope, receive: Receive, send: Send, person: str, viewer: Viewer | None) -> None:
        path = scope["path"]
        if scope["type"] == "websocket":
            await self._stream(scope, receive, send, person, viewer)
        elif path.startswith(UPLOADS):
            await self._upload(scope, receive, send, person, viewer)
        elif path.startswith(MEDIA) and path not in self.offered.get(person, ()):
            raise GateRefusal(403, "A file is for the person whom a page offered it.")
        else:
            await self.app(scope, receive, send)

    async def _stream(self, scope: Scope, receive: Receive, send: Send, person: str, viewer: Viewer | None) -> None:
        if viewer is None and self.strangers >= MOST_STRANGERS:
            raise GateRefusal(503, "Too many people whom the access file does not name have a page open: try again.")
        offered = self.offered.setdefault(person, set())

        async def receiving() -> Any:  # noqa: ANN401 - a message of ASGI
            while True:  # what asks for a file of somebody else is not heard
                message = await receive()
                if _wished(message.get("bytes") or b"") in {"", *offered}:
                    return message

        async def sending(message: Any) -> None:  # noqa: ANN401 - a message of ASGI
            if data := message.get("bytes"):
                offered.update(_offered(data))
                message = {**message, "bytes": data.replace(*self.hidden)}
            await send(message)

        self.strangers += viewer is None
        try:
            await self.app(scope, receiving, sending)
        finally:
            self.strangers -= viewer is None
            later = asyncio.get_running_loop().create_task(self._let_go_later())
            self.waiting.add(later)
            later.add_done_callback(self.waiting.discard)

    async def _let_go_later(self) -> None:
        await asyncio.sleep(GRACE_SECONDS)
        self.held.let_go(self.runtime())

    async def _upload(self, scope: Scope, receive: Receive, send: Send, person: str, viewer: Viewer | None) -> None:
        if viewer is None or not viewer.may_write:
            raise GateRefusal(403, "You may not bring in files.")
        if scope["method"] != "PUT":
            await self.app(scope, receive, send)
            return
        headers = _Headers(scope["headers"])
        length = headers.only("content-length") or ""
        if not (length.isascii() and length.isdecimal()) or headers.only("transfer-encoding") is not None:
            raise GateRefusal(411, "A file must say how long it is.")
        session, _, file = scope["path"].removeprefix(UPLOADS).partition("/")
        if not self.runtime().is_active_session(session):
            raise GateRefusal(403, "Files are taken from an open page alone.")
        self.held.let_go(self.runtime())
        self.held.reserve(person, (session, file), int(length))
        try:
            await self.app(scope, receive, send)
        finally:
            self.held.arriving.discard((session, file))
            self.held.let_go(self.runtime())


class _Headers:
    """Headers of a request, of which none that decides anything may come twice."""

    def __init__(self, pairs: Iterable[tuple[bytes, bytes]]) -> None:
        self.pairs = [(name.lower().decode("latin-1"), value.decode("latin-1")) for name, value in pairs]

    def only(self, name: str) -> str | None:
        """The value of a header; None where it is missing, GateRefusal where it came more than once."""
        found = [value for at, value in self.pairs if at == name.lower()]
        if len(found) > 1:
            raise GateRefusal(400, f"The header {name} came more than once, so it cannot be believed.")
        return found[0].strip() if found else None

    def cookies(self) -> dict[str, str]:
        """Cookies by name, the first of each."""
        found: dict[str, str] = {}
        for header in (value for at, value in self.pairs if at == "cookie"):
            for part in header.split(";"):
                name, _, value = part.strip().partition("=")
                found.setdefault(name, _unquoted(value))
        return found


def _offered(data: bytes) -> set[str]:
    """Files that a message offers to a browser: by their address, or by the name under which one is made at a press."""
    message = ForwardMsg.FromString(data)
    element, made = message.delta.new_element, message.backend_operation_response.deferred_file
    button = element.download_button
    return {button.deferred_file_id, button.url, made.url, *(image.url for image in element.imgs.imgs)} - {""}


def _wished(data: bytes) -> str:
    """The file that a message of a browser wants made; empty where it wants none."""
    with suppress(DecodeError):  # told by Streamlit
        return str(BackMsg.FromString(data).backend_operation_request.deferred_file.file_id)
    return ""


def _unquoted(value: str) -> str:
    if not value.startswith('"'):
        return value
    try:
        return SimpleCookie(f"v={value}")["v"].value
    except (CookieError, KeyError):
        return ""


def _same(given: str, right: str) -> bool:
    """Whether a secret is the right one, told in a time that says nothing about it; an empty one never is."""
    digests = [hashlib.sha256(text.encode("utf-8", "surrogateescape")).digest() for text in (given, right)]
    return bool(right) and hmac.compare_digest(*digests)


async def _answer(send: Send, status: int, text: str, more: Iterable[tuple[bytes, bytes]] = ()) -> None:
    body = text.encode()
    headers = [
        (b"content-type", b"text/plain; charset=utf-8"),
        (b"content-length", str(len(body)).encode()),
        (b"cache-control", b"no-store"),
        (b"referrer-policy", b"no-referrer"),
        (b"x-content-type-options", b"nosniff"),
        (b"connection", b"close"),  # what is left of a body that is not wanted is not read
        *more,
    ]
    await send({"type": "http.response.start", "status": status, "headers": headers})
    await send({"type": "http.response.body", "body": body})


async def _refuse(scope: Scope, receive: Receive, send: Send, refusal: GateRefusal) -> None:
    if scope["type"] == "http":
        await _answer(send, refusal.status, refusal.sentence)
        return
    await receive()  # the wish to connect; a server answers it with 403
    await send({"type": "websocket.close", "code": 1008})
