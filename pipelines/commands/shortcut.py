"""``menton shortcut``: something to click on that starts the dashboard for this machine alone, and opens it.

On Linux a desktop entry (Desktop Entry Specification 1.5, freedesktop.org); on macOS and Windows a command file, which
was checked for its form alone and not tried on such a machine.
"""

import argparse
import re
import shlex
import sys
from pathlib import Path

from pipelines.commands.options import say
from warehouse.errors import RequestError
from warehouse.leaving.gate import NO_CASE, let_out

ENDINGS = {"linux": ".desktop", "darwin": ".command", "win32": ".cmd"}
"""System, as Python names it -> ending of what is clicked on."""

NAME, COMMENT = "Menton", "Opens the audit of facial growth on this machine; closing its window ends it"


def run(args: argparse.Namespace) -> None:
    folder: Path = args.out or Path.home() / "Desktop"
    if not folder.is_dir():
        raise RequestError("there is no such folder to put it in", where=folder.name, remedy="name a folder with --out")
    system = args.system or (sys.platform if sys.platform in ENDINGS else "linux")
    path = folder / f"{NAME}{ENDINGS[system]}"
    if path.exists() and not args.replace:
        found = "there is one already"
        raise RequestError(found, where=path.name, remedy="say --replace, or name another folder with --out")
    words = [sys.executable, "-m", "pipelines.cli", "dashboard", "--warehouse", str(args.warehouse.resolve())]
    if args.encryption_key_file:
        words += ["--encryption-key-file", str(args.encryption_key_file.resolve())]
    let_out(shortcut_text(words, system), NO_CASE, to=path)
    path.chmod(0o700)
    say(f"{path.name} is written. A double click opens the page; closing the window that comes with it ends it.")
    if system != "linux":
        say("It has the form that system asks for, and was not tried there.")


def shortcut_text(words: list[str], system: str) -> str:
    """The file for a command; RequestError where a path has a sign that cannot be written down there."""
    if any(re.search(r'[\x00-\x1f]|[\x00-\x1f"]' if system == "win32" else r"[\x00-\x1f]", word) for word in words):
        raise RequestError("a path has a sign in it that a shortcut cannot hold", remedy="rename that folder")
    if system == "win32":
        line = " ".join(f'"{word.replace("%", "%%")}"' for word in words)
        return f"@echo off\r\nrem {COMMENT}\r\nchcp 65001 >nul\r\necho {COMMENT}.\r\n{line}\r\npause\r\n"
    if system == "darwin":
        return f"#!/bin/sh\n# {COMMENT}\necho {shlex.quote(COMMENT)}\nexec {shlex.join(words)}\n"
    keys = {"Type": "Application", "Version": "1.5", "Name": NAME, "Comment": COMMENT}
    keys |= {"Exec": " ".join(map(_in_exec, words)), "Terminal": "true", "Categories": "Science;MedicalSoftware;"}
    return "[Desktop Entry]\n" + "".join(f"{key}={value}\n" for key, value in keys.items())


def _in_exec(word: str) -> str:
    """A word of the key Exec: quoted, then as a string of the file, where a backslash is written twice."""
    quoted = re.sub(r'(["`$\\])', r"\\\1", word).replace("%", "%%")
    return '"' + quoted.replace("\\", "\\\\") + '"'
