"""The gate before the dashboard, attacked: foreign names, foreign pages, no key, two of one header, too many files.

Statuses are those of RFC 9110 (403 section 15.5.4, 411 section 15.5.12, 413 section 15.5.14, 421 section 15.5.20); the
attributes of the cookie those of RFC 6265 section 5.2 and its successor's SameSite.
"""

from __future__ import annotations

import asyncio
import socket
import time
from collections.abc import Callable, Coroutine, Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import pytest
from playwright.sync_api import Browser
from streamlit.proto.BackMsg_pb2 import BackMsg
from streamlit.proto.ForwardMsg_pb2 import ForwardMsg
from websockets.exceptions import ConnectionClosed, InvalidStatus
from websockets.sync.client import ClientConnection, connect

from dashboard.access import gate
from dashboard.access.gate import Gate, House
from dashboard.access.viewer import AccessList, Viewer
from tests.dashboard.browsing import PATIENCE, Served, rest, served

AT = "127.0.0.1:8521"
HERE = f"http://{AT}"
TOKEN = "t" * 43
ADA, CYN, DEE = (f"{name}@lantern.example" for name in ("ada", "cyn", "dee"))
PEOPLE = {
    ADA: Viewer(role="coordinator"),
    CYN: Viewer(role="owner", may_write=True),
    DEE: Viewer(role="owner", may_write=True),
}
ENDPOINTS = ("/", "/cases", "/_stcore/health", "/_stcore/host-config", "/media/x.csv", "/static/js/x.js")


@pytest.fixture(autouse=True)
def counted(count: Callable[[str, str, int], None]) -> None:
    count("attacks", "on the gate: names, pages, tokens, headers, streams, files", 1)


@dataclass
class Runtime:
    """What the gate asks of the server, and what was let in."""

    active: set[str] = field(default_factory=lambda: {"s1", "s2"})
    files: dict[tuple[str, str], int] = field(default_factory=dict)
    passed: list[dict[str, Any]] = field(default_factory=list)
    heard: list[bytes] = field(default_factory=list)

    @property
    def uploaded_file_mgr(self) -> Runtime:
        return self

    def is_active_session(self, session: str) -> bool:
        return session in self.active

    def get_files(self, session: str, files: list[str]) -> list[int]:
        return [self.files[session, file] for file in files if (session, file) in self.files]

    def remove_session_files(self, session: str) -> None:
        self.files = {key: size for key, size in self.files.items() if key[0] != session}

    async def __call__(self, scope: dict[str, Any], _receive: object, send: Any) -> None:
        self.passed.append(scope)
        if scope["path"].startswith(gate.UPLOADS):
            session, file = scope["path"].removeprefix(gate.UPLOADS).split("/")
            self.files[session, file] = int(dict(scope["headers"])[b"content-length"])
        if scope["type"] == "http":
            await send({"type": "http.response.start", "status": 200, "headers": []})
            await send({"type": "http.response.body", "body": b"a page"})


@dataclass
class Answer:
    status: int
    text: str
    headers: dict[str, str]


def run_apart(work: Coroutine[Any, Any, None]) -> None:
    """Run it in a thread of its own: a browser driven by other tests keeps a loop running in this one."""
    with ThreadPoolExecutor(max_workers=1) as thread:
        thread.submit(asyncio.run, work).result()


def ask(
    at: Gate, path: str = "/", *headers: tuple[str, str], method: str = "GET", kind: str = "http", query: str = ""
) -> Answer:
    """One request to the gate itself; the header Host is the right one unless given."""
    given = list(headers) if any(name == "Host" for name, _ in headers) else [("Host", AT), *headers]
    said: list[dict[str, Any]] = []

    async def send(message: dict[str, Any]) -> None:
        said.append(message)

    async def receive() -> dict[str, Any]:
        return {"type": "websocket.connect" if kind == "websocket" else "http.request"}

    scope = {
        "type": kind,
        "method": method,
        "path": path,
        "raw_path": path.encode(),
        "query_string": query.encode(),
        "headers": [(name.lower().encode(), value.encode()) for name, value in given],
    }

    async def asking() -> None:
        await at(scope, receive, send)

    run_apart(asking())
    if not said:
        return Answer(101, "", {})
    if said[0]["type"] == "websocket.close":
        return Answer(403, "", {})  # what a server makes of it before the connection is taken: ASGI, websocket scope
    text = b"".join(message.get("body", b"") for message in said).decode()
    sent = {name.decode(): value.decode() for name, value in said[0].get("headers", [])}
    return Answer(said[0]["status"], text, sent)


def alone(runtime: Runtime | None = None) -> Gate:
    behind = runtime or Runtime()
    return Gate(behind, house=House(origins=frozenset({HERE}), token=TOKEN, may_write=True), runtime=lambda: behind)


def shared(runtime: Runtime, *, proxy_secret: str = "") -> Gate:
    people = AccessList("X-Person", PEOPLE, proxy_secret)
    return Gate(runtime, house=House(origins=frozenset({HERE}), access=people), runtime=lambda: runtime)


def cookie_of(entered: Answer) -> tuple[str, str]:
    return ("Cookie", entered.headers["set-cookie"].partition(";")[0])


def test_a_gate_with_nothing_to_go_by_is_not_built() -> None:
    with pytest.raises(ValueError, match="token or an access file"):
        Gate(Runtime(), house=House(origins=frozenset({HERE})), runtime=Runtime)


@pytest.mark.parametrize("path", ENDPOINTS)
@pytest.mark.parametrize("host", ["evil.example:8521", "localhost:8521", "127.0.0.1", "127.0.0.1:9000", ""])
def test_a_foreign_name_is_answered_with_a_sentence_even_with_the_cookie(host: str, path: str) -> None:
    behind = Runtime()
    at = alone(behind)
    key = cookie_of(ask(at, query=f"token={TOKEN}"))
    found = ask(at, path, ("Host", host), key)
    assert (found.status, behind.passed) == (421, [])
    assert "open it at the one it was started with" in found.text


@pytest.mark.parametrize("origin", ["http://evil.example", "http://127.0.0.1:9000", "https://127.0.0.1:8521", "null"])
@pytest.mark.parametrize("kind", ["http", "websocket"])
def test_a_page_of_another_address_is_refused_even_with_the_cookie(origin: str, kind: str) -> None:
    behind = Runtime()
    at = alone(behind)
    key = cookie_of(ask(at, query=f"token={TOKEN}"))
    found = ask(at, "/_stcore/stream", ("Origin", origin), key, kind=kind)
    assert (found.status, behind.passed) == (403, [])


def test_a_stream_must_say_which_page_it_comes_from() -> None:
    at = alone()
    key = cookie_of(ask(at, query=f"token={TOKEN}"))
    assert ask(at, "/_stcore/stream", key, kind="websocket").status == 403
    assert ask(at, "/_stcore/stream", key, ("Origin", HERE), kind="websocket").status == 101


@pytest.mark.parametrize("path", ENDPOINTS)
def test_who_has_neither_token_nor_cookie_gets_a_sentence(path: str) -> None:
    behind = Runtime()
    at = alone(behind)
    for headers, query in (((), ""), ((("Cookie", "menton_8521=x"),), ""), ((), "token=x"), ((), "token=")):
        found = ask(at, path, *headers, query=query)
        assert (found.status, found.text) == (403, gate.NO_ENTRY)
    assert behind.passed == []


def test_the_token_opens_the_door_once() -> None:
    at = alone()
    entered = ask(at, "/cases", query=f"practice=A+%26+B&token={TOKEN}")
    assert (entered.status, entered.headers["location"]) == (303, "/cases?practice=A+%26+B")
    assert {"HttpOnly", "SameSite=Strict", "Path=/"} <= {
        part.strip() for part in entered.headers["set-cookie"].split(";")
    }
    assert TOKEN not in entered.headers["set-cookie"]
    assert ask(at, query=f"token={TOKEN}").status == 403, "the second browser"
    assert ask(at, "/", cookie_of(entered)).text == "a page"
    assert ask(at, "/", cookie_of(entered), query=f"token={TOKEN}").status == 303, "the same browser once more"


def test_the_address_gone_on_to_is_never_another_host() -> None:
    for path in ("//evil.example", "/\\evil.example", "///evil.example/x"):
        went = ask(alone(), path, query=f"token={TOKEN}").headers["location"]
        assert went.startswith("/")
        assert not went.startswith(("//", "/\\"))


def test_metrics_are_for_nobody() -> None:
    at = alone()
    key = cookie_of(ask(at, query=f"token={TOKEN}"))
    for path in ("/_stcore/metrics", "/_stcore/script-health-check", "/_stcore/agent/interact", "/_stcore/metrics/"):
        assert ask(at, path, key).status == 404


def test_a_header_that_decides_is_not_believed_twice() -> None:
    for twice in ("Host", "Origin", "X-Person", "X-Menton-Proxy-Secret"):
        behind = Runtime()
        at = shared(behind, proxy_secret="s" * 40)
        right = {"Host": AT, "Origin": HERE, "X-Person": CYN, "X-Menton-Proxy-Secret": "s" * 40}
        assert ask(at, "/", *right.items()).status == 200
        assert "x-menton-proxy-secret" not in {name.decode() for name, _ in behind.passed[0]["headers"]}
        assert ask(at, "/", *right.items(), (twice, right[twice])).status == 400


def test_a_header_is_believed_from_the_proxy_alone() -> None:
    behind = Runtime()
    at = shared(behind, proxy_secret="s" * 40)
    for secret in ("", "s" * 39, "S" * 40):
        assert ask(at, "/", ("X-Person", CYN), ("X-Menton-Proxy-Secret", secret)).status == 403
    assert behind.passed == []


def put(at: Gate, person: str, session: str, file: str, size: int | str | None) -> Answer:
    length = [] if size is None else [("Content-Length", str(size))]
    return ask(at, f"{gate.UPLOADS}{session}/{file}", ("X-Person", person), *length, method="PUT")


def test_no_byte_is_taken_from_who_may_not_write() -> None:
    behind = Runtime()
    at = shared(behind)
    for person in (ADA, "eve@lantern.example", ""):
        assert put(at, person, "s1", "f", 10).status == 403
        assert ask(at, f"{gate.UPLOADS}s1/f", ("X-Person", person), method="DELETE").status == 403
    assert put(at, CYN, "s1", "f", 10).status == 200
    assert put(at, CYN, "ended", "f", 10).status == 403
    for length in (None, "ten", "-1", "1_0", "²"):
        assert put(at, CYN, "s1", "g", length).status == 411
    two_lengths = (("Content-Length", "5"), ("Transfer-Encoding", "chunked"))  # RFC 9112 section 6.1: an attack
    assert ask(at, f"{gate.UPLOADS}s1/g", ("X-Person", CYN), *two_lengths, method="PUT").status == 411
    assert list(behind.files) == [("s1", "f")]


def offering(address: str = "", name: str = "") -> bytes:
    """What a page sends that offers a file: one that is there, or one to be made under a name."""
    message = ForwardMsg()
    message.delta.new_element.download_button.url = address
    message.delta.new_element.download_button.deferred_file_id = name
    return message.SerializeToString()


def wishing(name: str) -> bytes:
    message = BackMsg()
    message.backend_operation_request.deferred_file.file_id = name
    return message.SerializeToString()


def stream(at: Gate, behind: Runtime, person: str, *, told: Iterable[bytes] = (), said: Iterable[bytes] = ()) -> int:
    """One stream of a person: what the page tells, then what the browser says; 101, or the status of the refusal."""
    coming = iter([*({"type": "websocket.receive", "bytes": one} for one in said), {"type": "websocket.disconnect"}])
    statuses = [101]

    async def page(_: object, receive: Any, send: Any) -> None:
        for one in told:
            await send({"type": "websocket.send", "bytes": one})
        while (message := await receive())["type"] != "websocket.disconnect":
            behind.heard.append(message["bytes"])

    async def receive() -> dict[str, Any]:
        return next(coming)

    async def send(message: dict[str, Any]) -> None:
        if message["type"] != "websocket.send":
            statuses.append(message.get("status", 403))

    headers = [(b"host", AT.encode()), (b"origin", HERE.encode()), (b"x-person", person.encode())]
    at.app = page
    run_apart(at({"type": "websocket", "path": gate.STREAM, "headers": headers}, receive, send))
    at.app = behind
    return statuses[-1]


def test_a_file_is_for_the_person_whom_a_page_offered_it() -> None:
    behind = Runtime()
    at = shared(behind)
    name, other = "a" * 32, "b" * 32
    stream(at, behind, CYN, told=[offering("/media/c.csv"), offering(name=name)], said=[wishing(name), wishing(other)])
    assert behind.heard == [wishing(name)], "what was not offered is not heard"
    for person in (ADA, DEE, "eve@lantern.example", ""):
        behind.heard.clear()
        stream(at, behind, person, told=[offering(name=other)], said=[wishing(name), b"\xff", wishing(other)])
        assert behind.heard == [b"\xff", wishing(other)], "who knows the name of another's file does not get it made"
        assert ask(at, "/media/c.csv", ("X-Person", person)).status == 403
    assert ask(at, "/media/c.csv", ("X-Person", CYN)).status == 200
    assert ask(at, "/media/d.csv", ("X-Person", CYN)).status == 403
    assert ask(at, "/", ("X-Person", "eve@lantern.example")).status == 200, "the page says that there is nothing to see"


def test_few_pages_are_held_open_for_people_who_are_not_known(monkeypatch: pytest.MonkeyPatch) -> None:
    behind = Runtime()
    at = shared(behind)
    monkeypatch.setattr(gate, "MOST_STRANGERS", 2)
    at.strangers = 2
    assert stream(at, behind, "eve@lantern.example") == 403
    assert stream(at, behind, CYN) == 101
    at.strangers = 1
    assert [stream(at, behind, "") for _ in range(4)] == [101] * 4, "each is let go when it ends"


def test_files_are_capped_for_each_person_and_for_all_and_let_go_with_the_session(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(gate, "CAP_FOR_ONE", 100)
    monkeypatch.setattr(gate, "CAP_FOR_ALL", 150)
    behind = Runtime()
    at = shared(behind)
    assert put(at, CYN, "s1", "a", 60).status == 200
    assert put(at, CYN, "s1", "b", 41).status == 413
    assert put(at, CYN, "s1", "a", 100).status == 200, "in place of itself"
    assert put(at, DEE, "s2", "c", 51).status == 503
    assert put(at, DEE, "s2", "c", 50).status == 200
    behind.active = {"s2"}
    assert put(at, DEE, "s2", "d", 50).status == 200
    assert behind.files == {("s2", "c"): 50, ("s2", "d"): 50}, "those of the ended session are gone"
    del behind.files["s2", "c"]
    assert put(at, DEE, "s2", "e", 50).status == 200, "what the page removed does not count"


def test_files_go_when_a_stream_ended_for_good(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(gate, "GRACE_SECONDS", 0.0)
    behind = Runtime()
    at = shared(behind)
    assert put(at, CYN, "s1", "a", 60).status == 200

    async def stream() -> None:
        behind.active = set()
        headers = [(b"host", AT.encode()), (b"origin", HERE.encode())]
        await at({"type": "websocket", "path": gate.STREAM, "headers": headers}, None, None)
        while at.waiting:
            await asyncio.sleep(0.01)

    run_apart(stream())
    assert behind.files == {}


def test_the_server_behind_is_asked_under_one_address() -> None:
    """Otherwise it looks up its own address over the network, to compare (finding: every foreign Origin did)."""
    behind = Runtime()
    house = House(origins=frozenset({HERE, "https://menton.lantern.example"}), access=AccessList("X-Person", PEOPLE))
    at = Gate(behind, house=house, runtime=lambda: behind)
    outside = ("Origin", "https://menton.lantern.example")
    assert ask(at, gate.STREAM, outside, kind="websocket").status == 101
    assert ask(at, "/_stcore/health", outside).status == 200
    stream, page = (dict(scope["headers"]) for scope in behind.passed)
    assert stream[b"host"] == b"menton.lantern.example"
    assert b"origin" not in page


# The same against a server as people start it.


@pytest.fixture(scope="module")
def address(folder: Path) -> Iterator[Served]:
    with served(folder, enters=False, begins=True) as at:
        yield at


@pytest.fixture(scope="module")
def by_header(folder: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    access = tmp_path_factory.mktemp("header") / "access.toml"
    access.write_text(
        f'header = "X-Person"\n[people."{ADA}"]\nrole = "coordinator"\n'
        f'[people."{CYN}"]\nrole = "owner"\nmay_write = true\n',
        encoding="utf-8",
    )
    access.chmod(0o600)
    with served(folder, "--access", str(access)) as at:
        yield at


def raw(at: str, *lines: str, body: bytes = b"") -> bytes:
    """What comes back for bytes as they stand."""
    host, port = urlsplit(at).netloc.split(":")
    with socket.create_connection((host, int(port)), timeout=PATIENCE / 1000) as line:
        line.sendall("\r\n".join([*lines, "Connection: close", "", ""]).encode() + body)
        found = b""
        while more := line.recv(65536):
            found += more
    return found


@pytest.mark.browser
def test_a_browser_under_a_foreign_name_gets_no_page(browser: Browser, address: Served) -> None:
    """Rebinding: a foreign name that resolves to this machine, as a browser of its own is told here."""
    port = urlsplit(address).port
    launched = browser.browser_type.launch(
        executable_path=browser_path(),
        args=["--no-sandbox", "--disable-gpu", "--host-resolver-rules=MAP evil.example 127.0.0.1"],
        timeout=PATIENCE,
    )
    page = launched.new_page()
    answer = page.goto(f"http://evil.example:{port}/cases", timeout=PATIENCE)
    assert answer is not None
    assert answer.status == 421
    assert page.locator("h1, [data-testid=stApp]").count() == 0
    launched.close()


def browser_path() -> str | None:
    import shutil

    return shutil.which("chromium") or shutil.which("chromium-browser")


@pytest.mark.browser
def test_two_browsers_the_first_gets_the_pages_and_the_second_a_sentence(browser: Browser, address: Served) -> None:
    first, second = browser.new_context(), browser.new_context()
    page = first.new_page()
    page.goto(address.entry, timeout=PATIENCE)
    rest(page)
    assert "token" not in page.url
    assert page.locator("h1").first.inner_text() == "What happened"
    assert page.evaluate("() => document.cookie.includes('menton_')") is False
    for at in (address.entry, address, f"{address}/cases", f"{address}/_stcore/health"):
        answer = second.request.get(at, timeout=PATIENCE)
        assert (answer.status, answer.text()) == (403, gate.NO_ENTRY)
    first.close()
    second.close()


def test_raw_requests_to_the_server_are_refused(address: Served) -> None:
    netloc = urlsplit(address).netloc
    assert b" 421 " in raw(address, "GET /cases HTTP/1.1", "Host: evil.example").splitlines()[0]
    assert b" 421 " in raw(address, "GET / HTTP/1.0").splitlines()[0]
    assert b" 403 " in raw(address, "GET / HTTP/1.1", f"Host: {netloc}", "Origin: http://evil.example").splitlines()[0]
    assert b" 404 " in raw(address, "GET /_stcore/metrics HTTP/1.1", f"Host: {netloc}").splitlines()[0]
    with pytest.raises(InvalidStatus) as refused:
        connect(f"ws://{netloc}/_stcore/stream", origin="http://evil.example")  # type: ignore[arg-type]
    assert refused.value.response.status_code == 403


@contextmanager
def streaming(at: str, person: str) -> Iterator[tuple[ClientConnection, str]]:
    """A stream as a browser holds it, and the token that its requests carry."""
    netloc = urlsplit(at).netloc
    health = raw(at, "GET /_stcore/health HTTP/1.1", f"Host: {netloc}").decode()
    token = health.partition("_streamlit_xsrf=")[2].partition(";")[0]
    named = {"X-Person": person} if person else {}
    with connect(
        f"ws://{netloc}/_stcore/stream",
        origin=at,  # type: ignore[arg-type]
        additional_headers={**named, "Cookie": f"_streamlit_xsrf={token}"},
        subprotocols=["streamlit", token],  # type: ignore[list-item]
        max_size=None,
    ) as stream:
        yield stream, token


def heard(stream: ClientConnection, kind: str, *, seen: bytearray | None = None) -> ForwardMsg:
    """The next message of a kind; ``seen`` gathers all that came until then."""
    while True:
        data = stream.recv(timeout=PATIENCE / 1000)
        assert isinstance(data, bytes)
        if seen is not None:
            seen += data
        message = ForwardMsg.FromString(data)
        if message.WhichOneof("type") == kind:
            return message


def run_page(name: str = "") -> bytes:
    rerun = BackMsg()
    rerun.rerun_script.page_name = name
    return rerun.SerializeToString()


@pytest.mark.parametrize(("person", "status"), [("", 403), (ADA, 403), (CYN, 204)])
def test_files_are_taken_from_a_writer_alone_and_paths_told_to_nobody(
    by_header: Served, person: str, status: int
) -> None:
    """The attack: ask for an upload address over the stream, without having logged in, and send a file there."""
    wish = BackMsg()
    wish.file_urls_request.request_id = "1"
    wish.file_urls_request.file_names.append("a.csv")
    with streaming(by_header, person) as (stream, token):
        seen = bytearray()
        stream.send(wish.SerializeToString())
        url = heard(stream, "file_urls_response", seen=seen).file_urls_response.file_urls[0].upload_url
        stream.send(run_page())  # not before: a script that begins drops what is not yet sent
        heard(stream, "new_session", seen=seen)
        assert url
        assert str(Path(gate.__file__).parents[2]).encode() not in seen
        form = b'--x\r\nContent-Disposition: form-data; name="a"; filename="a.csv"\r\n\r\nabc\r\n--x--\r\n'
        lines = [
            f"PUT {url} HTTP/1.1",
            f"Host: {urlsplit(by_header).netloc}",
            *([f"X-Person: {person}"] if person else []),
            f"Cookie: _streamlit_xsrf={token}",
            f"X-Xsrftoken: {token}",
            "Content-Type: multipart/form-data; boundary=x",
        ]
        said = raw(by_header, *lines, f"Content-Length: {len(form)}", body=form)
        assert f" {status} ".encode() in said.splitlines()[0], said
        in_chunks = f"{len(form):x}\r\n".encode() + form + b"\r\n0\r\n\r\n"
        said = raw(by_header, *lines, "Content-Length: 5", "Transfer-Encoding: chunked", body=in_chunks)
        assert said.splitlines()[0].split()[1] in {b"400", b"403", b"411"}, "a length that is not the length"


def test_a_file_of_another_is_neither_made_nor_given_to_who_knows_its_name(by_header: Served) -> None:
    """The attack: a person without rights asks over a stream of their own for the file that a page offered another."""
    netloc = urlsplit(by_header).netloc

    with streaming(by_header, CYN) as (hers, _), streaming(by_header, "") as (nobodys, _):
        own = dict[ClientConnection, str]()
        for stream in (nobodys, hers):
            stream.send(run_page("take_along"))
            own[stream] = heard(stream, "new_session").new_session.initialize.session_id
        while not (name := heard(hers, "delta").delta.new_element.download_button.deferred_file_id):
            pass
        for stream in (nobodys, hers):
            wish = BackMsg()
            wish.backend_operation_request.request_id = "1"
            wish.backend_operation_request.session_id = own[stream]
            wish.backend_operation_request.deferred_file.file_id = name
            stream.send(wish.SerializeToString())
        url = heard(hers, "backend_operation_response").backend_operation_response.deferred_file.url
        assert url.startswith("/media/")
        told = list[str | None]()
        with pytest.raises(TimeoutError):  # it would have been made by now, since it was asked for first
            while True:
                told.append(ForwardMsg.FromString(nobodys.recv(timeout=5)).WhichOneof("type"))  # type: ignore[arg-type]
        assert "script_finished" in told
        assert "backend_operation_response" not in told
        for person, status in ((CYN, 200), (ADA, 403), ("eve@lantern.example", 403)):
            said = raw(by_header, f"GET {url} HTTP/1.1", f"Host: {netloc}", f"X-Person: {person}")
            assert f" {status} ".encode() in said.splitlines()[0], person


def test_a_stream_takes_no_message_that_fills_memory(by_header: Served) -> None:
    """The attack: nobody is logged in, and a message of the stream, which is held until it ends, never does."""

    def pieces() -> Iterator[bytes]:
        while True:
            sent.append(1 << 20)
            yield bytes(sent[-1])
            time.sleep(0.05)

    sent = list[int]()
    with streaming(by_header, "") as (stream, _), pytest.raises(ConnectionClosed) as closed:
        stream.send(pieces())
    assert closed.value.rcvd is not None
    assert closed.value.rcvd.code == 1009, "RFC 6455 section 7.4.1: a message that is too big"
    assert sum(sent) < 13 << 20
