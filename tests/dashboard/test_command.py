"""``menton dashboard``: what is started, for whom, and what is refused."""

from __future__ import annotations

import argparse
import os
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path
from typing import ClassVar
from urllib.parse import urlsplit

import pytest

from dashboard.access import command
from dashboard.access.sign_in import is_verified
from pipelines.commands.declared import COMMANDS, add_options
from tests.dashboard.browsing import ENDS_WITH_US, free_port
from tests.hand_made import load_rows, made_case
from warehouse.errors import KeyProblemError, RequestError


@pytest.fixture(autouse=True)
def counted(request: pytest.FixtureRequest, count: Callable[[str, str, int], None]) -> None:
    if any(word in request.node.name for word in ("refused", "not_believed", "needs", "verified")):
        count("attacks", "on the start of the dashboard: unsafe combinations", 1)


def parsed(*words: str) -> argparse.Namespace:
    parser = argparse.ArgumentParser()
    add_options(parser.add_subparsers().add_parser("dashboard"), COMMANDS["dashboard"])
    return parser.parse_args(["dashboard", *words])


def test_it_is_served_to_this_machine_alone_and_asks_nobody() -> None:
    words = list(command.words(parsed()))
    assert "--server.address=127.0.0.1" in words
    assert "--browser.gatherUsageStats=false" in words
    assert "--client.showErrorDetails=none" in words
    assert words[1:4] == ["-P", "-m", "dashboard.entry.serve"]
    assert command.APP.is_file()


FIRST_PAGE = """
import sys
from importlib import import_module
from streamlit.testing.v1 import AppTest
from dashboard.access.working import READS
from dashboard.entry.serve import import_pages_modules
import_pages_modules()
for name in READS:  # by the process that reads; here both are one
    import_module(name)
before = set(sys.modules)
page = AppTest.from_file(sys.argv[1], default_timeout=300).run()
assert not page.exception and page.title[0].value == "What happened"
print(*{name.split(".")[0] for name in set(sys.modules) - before}, *(["held"] if "pandas" in sys.modules else []))
"""


def test_what_the_first_page_needs_is_imported_before_it_is_asked_for(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    load_rows(tmp_path, [made_case(f"c{n}", sn_gogn_deg_start=32.0, sn_gogn_deg_finish=33.0) for n in range(8)])
    monkeypatch.setenv("MENTON_WAREHOUSE", str(tmp_path))
    words = [sys.executable, "-c", FIRST_PAGE, str(command.APP)]
    done = subprocess.run(words, capture_output=True, text=True, check=True)
    assert not {"altair", "duckdb", "jsonschema", "numpy", "scipy", "pandas", "held"} & set(done.stdout.split())


def test_the_pages_are_told_where_things_lie_and_who_looks(tmp_path: Path) -> None:
    given = command.environment(
        parsed(
            "--warehouse",
            str(tmp_path / "w"),
            "--key-file",
            str(tmp_path / "k"),
            "--viewer",
            "coordinator",
            "--read-only",
        )
    )
    assert given["MENTON_WAREHOUSE"] == str(tmp_path / "w")
    assert given["MENTON_KEY_FILE"] == str(tmp_path / "k")
    assert given["MENTON_VIEWER"] == "coordinator"
    assert given["MENTON_READ_ONLY"] == "1"
    assert given["MENTON_ACCESS_FILE"] == ""


def test_an_address_others_can_reach_needs_an_access_file() -> None:
    with pytest.raises(RequestError, match="no access file is named"):
        command.run(parsed("--address", "0.0.0.0"))


def test_an_access_file_needs_somebody_who_says_who_a_person_is(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    by_header, by_login = tmp_path / "header.toml", tmp_path / "access.toml"
    by_header.write_text('header = "X-Person"\n', encoding="utf-8")
    by_login.write_text('[people."ada@lantern.example"]\nrole = "coordinator"\n', encoding="utf-8")
    by_header.chmod(0o600)
    by_login.chmod(0o600)
    login = tmp_path / "login.toml"
    with pytest.raises(RequestError, match="no login is named"):
        command.run(parsed("--access", str(by_login)))
    with pytest.raises(RequestError, match="not there"):
        command.run(parsed("--access", str(by_login), "--login", str(login)))
    private(login, f'[auth]\ncookie_secret = "{"x" * 32}"\n')
    with pytest.raises(RequestError, match="a login is named as well"):
        command.run(parsed("--access", str(by_header), "--login", str(login)))
    monkeypatch.setattr("importlib.util.find_spec", lambda _: None)
    with pytest.raises(RequestError, match="not installed"):
        command.run(parsed("--access", str(by_login), "--login", str(login)))


def private(path: Path, text: str) -> Path:
    path.write_text(text, encoding="utf-8")
    path.chmod(0o600)
    return path


PEOPLE = '[people."ada@lantern.example"]\nrole = "coordinator"\n'


@pytest.mark.parametrize("address", ["0.0.0.0", "192.0.2.7", "::"])
def test_a_header_is_not_believed_where_anybody_can_send_it(address: str, tmp_path: Path) -> None:
    access = private(tmp_path / "access.toml", f'header = "X-Person"\n{PEOPLE}')
    with pytest.raises(RequestError, match="lets anybody send one"):
        command.run(parsed("--access", str(access), "--address", address))
    private(access, f'header = "X-Person"\nproxy_secret = "short"\n{PEOPLE}')
    with pytest.raises(RequestError, match="secret of the proxy is shorter than 32"):
        command.run(parsed("--access", str(access), "--address", address))


@pytest.mark.skipif(os.name != "posix", reason="modes of POSIX")
@pytest.mark.parametrize("which", ["--access", "--login", "--key-file", "--encryption-key-file"])
def test_a_secret_file_that_others_can_read_is_refused(which: str, tmp_path: Path) -> None:
    files = {
        "--access": private(tmp_path / "access.toml", PEOPLE),
        "--login": private(tmp_path / "login.toml", f'[auth]\ncookie_secret = "{"x" * 32}"\n'),
        "--key-file": private(tmp_path / "case.key", "k"),
        "--encryption-key-file": private(tmp_path / "store.key", "k" * 40),
    }
    words = [word for option, path in files.items() for word in (option, str(path))]
    for mode in (0o640, 0o604, 0o666):
        files[which].chmod(mode)
        with pytest.raises(KeyProblemError, match="can be read or changed by others") as refused:
            command.run(parsed(*words, "--warehouse", str(tmp_path / "none")))
        assert refused.value.where == files[which].name
        assert refused.value.remedy.endswith(f"chmod 600 {files[which].name}")


def test_a_short_cookie_secret_is_refused(tmp_path: Path) -> None:
    access = private(tmp_path / "access.toml", PEOPLE)
    for secret in ('""', '"x"', f'"{"x" * 31}"', "7"):
        login = private(tmp_path / "login.toml", f"[auth]\ncookie_secret = {secret}\n")
        with pytest.raises(RequestError, match="cookie secret of the login is shorter than 32"):
            command.run(parsed("--access", str(access), "--login", str(login)))


def test_an_entry_for_a_practice_that_is_not_there_is_refused(folder: Path, tmp_path: Path) -> None:
    people = '[people."bea@lantern.example"]\nrole = "practice"\npractice = "HARBUOR"\n'
    access = private(tmp_path / "access.toml", f'header = "X-Person"\n{people}')
    with pytest.raises(RequestError, match="no cases in this warehouse: HARBUOR") as refused:
        command.run(parsed("--access", str(access), "--warehouse", str(folder)))
    assert refused.value.expected == "one of HARBOUR, QUARRY"


@pytest.mark.parametrize("claim", [False, None, "false", "true", 0, 1])
def test_only_a_login_that_says_so_is_verified(claim: object) -> None:
    """OpenID Connect Core 1.0, section 5.1: email_verified is a boolean, true if the address was verified."""
    assert is_verified({"email_verified": True})
    assert not is_verified({"email_verified": claim})
    assert not is_verified({})


@pytest.mark.parametrize(
    ("given", "is_written"),
    [
        ("https://Menton.Lantern.example:443/page", "https://menton.lantern.example"),
        ("http://127.0.0.1:80", "http://127.0.0.1"),
        ("http://[::1]:8521", "http://[::1]:8521"),
    ],
)
def test_an_address_is_compared_as_browsers_write_it(given: str, is_written: str) -> None:
    """RFC 6454 section 6.2: scheme, host in lower case, and a port that is not the default."""
    assert command.origin(given) == is_written


@pytest.mark.parametrize("given", ["menton.lantern.example", "ftp://x.example", "https://a@x.example", "http://x:port"])
def test_what_is_no_address_is_refused(given: str) -> None:
    with pytest.raises(RequestError, match="not an address that people can type"):
        command.environment(parsed("--served-at", given))


def test_the_login_is_handed_to_the_server(tmp_path: Path) -> None:
    login = tmp_path / "login.toml"
    assert f"--secrets.files={login}" in command.words(parsed("--login", str(login)))
    assert not any(word.startswith("--secrets") for word in command.words(parsed()))


class Ends:
    """A server that ends at once with a status."""

    started: ClassVar[list[list[str]]] = []

    def __init__(self, words: list[str], **_: object) -> None:
        self.started.append(list(words))

    def poll(self) -> int:
        return 3

    def wait(self) -> int:
        return 3

    def terminate(self) -> None:
        pass


def test_a_server_that_ends_is_not_said_to_be_up(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(command.subprocess, "Popen", Ends)
    monkeypatch.setattr(command.signal, "signal", lambda *_: None)
    monkeypatch.setattr(command.webbrowser, "open", lambda _: pytest.fail("no browser is opened on nothing"))
    assert command.run(parsed("--warehouse", str(tmp_path / "none"), "--port", str(free_port()))) == 3
    told = capsys.readouterr()
    assert "Menton is at" not in told.out
    assert "the page offers to bring in a file" in told.err
    assert Ends.started[-1][1:4] == ["-P", "-m", "dashboard.entry.serve"]


def test_the_browser_is_opened_when_the_server_answers(
    folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    class Health(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            self.send_response(403 if self.path == "/_stcore/health" else 404)  # nobody is let in without a token
            self.end_headers()

        def log_message(self, *_: object) -> None:
            """Nothing is printed."""

    class Serves(Ends):
        def __init__(self, words: list[str], **given: object) -> None:
            super().__init__(words, **given)
            port = next(int(word.partition("=")[2]) for word in words if word.startswith("--server.port="))
            self.server = HTTPServer(("127.0.0.1", port), Health)
            threading.Thread(target=self.server.handle_request).start()

        def poll(self) -> None:  # type: ignore[override]
            return None

        def wait(self) -> int:
            self.server.server_close()
            return 0

    opened: list[str] = []
    monkeypatch.setattr(command.subprocess, "Popen", Serves)
    monkeypatch.setattr(command.signal, "signal", lambda *_: None)
    monkeypatch.setattr(command.webbrowser, "open", opened.append)
    port = free_port()
    assert command.run(parsed("--warehouse", str(folder), "--port", str(port))) == 0
    (entry,) = opened
    assert entry.startswith(f"http://127.0.0.1:{port}/?token=")
    assert len(entry.partition("=")[2]) >= 43, "256 bits, six a letter"
    assert f"Menton is at {entry} " in capsys.readouterr().out


def test_a_viewer_that_does_not_exist_is_refused_before_anything_starts() -> None:
    with pytest.raises(RequestError, match="there is no viewer"):
        command.run(parsed("--viewer", "queen"))


def test_a_port_in_use_is_said_plainly(folder: Path) -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = str(taken.getsockname()[1])
        with pytest.raises(RequestError, match="nothing can be served"):
            command.run(parsed("--port", port, "--warehouse", str(folder)))


def test_no_folder_called_pages_lies_beside_the_entry_script() -> None:
    # Streamlit would serve it as it stands, before anybody asked who is looking
    assert not (command.APP.parent / "pages").exists()


@pytest.mark.skipif(not ENDS_WITH_US, reason="told to the system by setpriv, of util-linux")
def test_what_tests_serve_ends_when_they_are_stopped_without_a_word(folder: Path) -> None:
    serving = (
        "import sys, time; from pathlib import Path; from tests.dashboard.browsing import served\n"
        "with served(Path(sys.argv[1]), begins=True) as at: print(at, flush=True); time.sleep(600)"
    )
    with subprocess.Popen([sys.executable, "-c", serving, str(folder)], stdout=subprocess.PIPE, text=True) as one:
        assert one.stdout is not None
        port = urlsplit(one.stdout.readline().strip()).port
        assert port
        one.kill()

    def is_served() -> bool:
        with socket.socket() as asking:
            return asking.connect_ex(("127.0.0.1", port)) == 0

    until = time.monotonic() + 60
    while is_served() and time.monotonic() < until:
        time.sleep(0.1)
    assert not is_served()
