"""``menton dashboard``: what is started, for whom, and what is refused."""

from __future__ import annotations

import argparse
import socket
import subprocess
import sys
import threading
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path
from typing import ClassVar

import pytest

from dashboard.access import command
from tests.dashboard.browsing import free_port
from tests.hand_made import load_rows, made_case
from warehouse.errors import RequestError


def parsed(*words: str) -> argparse.Namespace:
    parser = argparse.ArgumentParser()
    command.add(parser.add_subparsers().add_parser("dashboard"))
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
from streamlit.testing.v1 import AppTest
from dashboard.entry.serve import import_pages_modules
import_pages_modules()
before = set(sys.modules)
page = AppTest.from_file(sys.argv[1], default_timeout=300).run()
assert not page.exception and page.title[0].value == "What happened"
print(*{name.split(".")[0] for name in set(sys.modules) - before})
"""


def test_what_the_first_page_needs_is_imported_before_it_is_asked_for(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    load_rows(tmp_path, [made_case(f"c{n}", sn_gogn_deg_start=32.0, sn_gogn_deg_finish=33.0) for n in range(8)])
    monkeypatch.setenv("MENTON_WAREHOUSE", str(tmp_path))
    words = [sys.executable, "-c", FIRST_PAGE, str(command.APP)]
    done = subprocess.run(words, capture_output=True, text=True, check=True)
    assert not {"altair", "duckdb", "jsonschema", "numpy", "scipy"} & set(done.stdout.split())


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
    login = tmp_path / "login.toml"
    with pytest.raises(RequestError, match="no login is named"):
        command.run(parsed("--access", str(by_login)))
    with pytest.raises(RequestError, match="not there"):
        command.run(parsed("--access", str(by_login), "--login", str(login)))
    login.write_text("[auth]\n", encoding="utf-8")
    with pytest.raises(RequestError, match="a login is named as well"):
        command.run(parsed("--access", str(by_header), "--login", str(login)))
    monkeypatch.setattr("importlib.util.find_spec", lambda _: None)
    with pytest.raises(RequestError, match="not installed"):
        command.run(parsed("--access", str(by_login), "--login", str(login)))


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
