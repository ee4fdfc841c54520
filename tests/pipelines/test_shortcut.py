"""The shortcut: a desktop entry that starts what it says, read as its specification says; the others by their form."""

from __future__ import annotations

import re
import shlex
import signal
import subprocess
import sys
from configparser import RawConfigParser
from pathlib import Path

import pytest

from pipelines.cli import main
from pipelines.commands.shortcut import shortcut_text
from tests.dashboard.browsing import free_port
from warehouse.errors import RequestError

AWKWARD = ["/usr/bin/python3", "-m", "x", '/home/a b/$HOME `date` "q" 100% \\back', "plain"]


def exec_words(text: str) -> list[str]:
    """Words of the key Exec, read as the Desktop Entry Specification 1.5 says (section "The Exec key"; from memory)."""
    parser = RawConfigParser(strict=True, interpolation=None, delimiters=("=",))
    parser.optionxform = str  # type: ignore[assignment,method-assign]
    parser.read_string(text)
    entry = parser["Desktop Entry"]
    assert {"Type", "Name", "Exec"} <= set(entry)
    assert entry["Type"] == "Application"
    value = entry["Exec"].replace("\\\\", "\\")  # the general rule for strings comes first
    words = re.findall(r'"((?:[^"\\]|\\.)*)"', value)
    return [re.sub(r'\\(["`$\\])', r"\1", word).replace("%%", "%") for word in words]


def test_a_desktop_entry_says_the_command_whatever_is_in_a_path() -> None:
    assert exec_words(shortcut_text(AWKWARD, "linux")) == AWKWARD


def test_a_desktop_entry_starts_the_dashboard_for_this_machine_alone(tmp_path: Path) -> None:
    folder = tmp_path / "desk top"
    folder.mkdir()
    assert main(["shortcut", "--warehouse", str(tmp_path / "data"), "--out", str(folder), "--system", "linux"]) == 0
    path = folder / "Menton.desktop"
    assert path.stat().st_mode & 0o777 == 0o700
    words = exec_words(path.read_text(encoding="utf-8"))
    assert words[0] == sys.executable
    more = ["--no-browser", "--port", str(free_port())]
    with subprocess.Popen([*words, *more], stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True) as started:
        assert started.stdout is not None
        assert started.stdout.readline().startswith("Menton is at http://127.0.0.1:")
        started.send_signal(signal.SIGTERM)


def test_a_shortcut_that_is_there_is_not_written_over_unless_told(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    words = ["shortcut", "--warehouse", str(tmp_path / "data"), "--out", str(tmp_path), "--system", "linux"]
    (tmp_path / "Menton.desktop").write_text("mine", encoding="utf-8")
    assert main(words) == 1
    assert "--replace" in capsys.readouterr().err
    assert (tmp_path / "Menton.desktop").read_text(encoding="utf-8") == "mine"
    assert main([*words, "--replace"]) == 0
    assert main([*words[:4], str(tmp_path / "nowhere")]) == 1


def test_the_command_file_of_a_shell_is_one(tmp_path: Path) -> None:
    text = shortcut_text(AWKWARD, "darwin")
    (tmp_path / "Menton.command").write_text(text, encoding="utf-8")
    assert subprocess.run(["/bin/sh", "-n", tmp_path / "Menton.command"], check=False).returncode == 0
    assert shlex.split(text.splitlines()[-1])[1:] == AWKWARD


def test_the_command_file_of_windows_quotes_every_word_and_refuses_what_it_cannot_hold() -> None:
    words = ["C:\\Program Files\\Python\\python.exe", "-m", "x", "D:\\100% faces"]
    text = shortcut_text(words, "win32")
    assert text.startswith("@echo off\r\n")
    assert all(line.endswith("\r") for line in text.split("\n")[:-1])
    assert '"C:\\Program Files\\Python\\python.exe" "-m" "x" "D:\\100%% faces"\r\n' in text
    for system, sign in (("win32", '"'), ("linux", "\n"), ("darwin", "\0")):
        with pytest.raises(RequestError, match="cannot hold"):
            shortcut_text([f"a{sign}b"], system)
