"""``menton dashboard``: what is started, for whom, and what is refused."""

from __future__ import annotations

import argparse
import socket
from pathlib import Path

import pytest

from dashboard import command
from warehouse.errors import RequestError


def parsed(*words: str) -> argparse.Namespace:
    parser = argparse.ArgumentParser()
    command.add(parser.add_subparsers())
    return parser.parse_args(["dashboard", *words])


def test_it_is_served_to_this_machine_alone_and_asks_nobody() -> None:
    words = list(command.words(parsed()))
    assert "--server.address=127.0.0.1" in words
    assert "--browser.gatherUsageStats=false" in words
    assert "--client.showErrorDetails=none" in words
    assert words[4] == str(command.APP)
    assert command.APP.is_file()


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
