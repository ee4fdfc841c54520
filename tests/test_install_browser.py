"""Where the browser of the tests comes from: the system's packages, Playwright, or one sentence that says what to do.

Stand-ins take the place of the commands that would install something; the script is the real one.
"""

from __future__ import annotations

import os
import shutil
import subprocess
from pathlib import Path

import pytest

SCRIPT = Path(__file__).parent / "install_browser.sh"

pytestmark = pytest.mark.skipif(os.name == "nt", reason="a script for sh")

# Starts a browser only once one was fetched; writes down what it was asked to fetch.
PYTHON = 'case "$1" in -c) [ -f "$HERE/fetched" ] ;; *) echo "$*" >> "$HERE/log"; {fetch} ;; esac'
APT = 'echo "apt-get $*" >> "$HERE/log"; [ "$1" = update ] || {install}'


class Machine:
    """A folder of commands that is all the script can see."""

    def __init__(self, here: Path) -> None:
        self.here = here
        for name in ("sh", "dirname", "touch", "chmod"):
            (here / name).symlink_to(str(shutil.which(name)))
        self.has("npm", "exit 0")

    def has(self, name: str, does: str) -> None:
        (self.here / name).write_text(f"#!{self.here / 'sh'}\n{does}\n", encoding="utf-8")
        (self.here / name).chmod(0o755)

    def run(self) -> subprocess.CompletedProcess[str]:
        script = self.here / "tests" / SCRIPT.name  # a copy, so that no checker lies beside it
        script.parent.mkdir()
        shutil.copy(SCRIPT, script)
        words = [str(self.here / "sh"), str(script), str(self.here / "python")]
        return subprocess.run(
            words, env={"PATH": str(self.here), "HERE": str(self.here)}, capture_output=True, text=True, check=False
        )

    @property
    def asked(self) -> str:
        log = self.here / "log"
        return log.read_text(encoding="utf-8") if log.exists() else ""


@pytest.fixture
def machine(tmp_path: Path) -> Machine:
    """An ordinary user's: npm, no browser, nothing to be fetched."""
    made = Machine(tmp_path)
    made.has("id", "echo 1000")
    made.has("python", PYTHON.format(fetch="exit 1"))
    made.has("apt-get", APT.format(install="exit 100"))
    return made


def test_a_browser_that_is_there_is_enough(machine: Machine) -> None:
    machine.has("chromium", "exit 0")
    assert machine.run().returncode == 0
    assert machine.asked == ""


def test_so_is_one_that_playwright_fetched_before(machine: Machine) -> None:
    (machine.here / "fetched").touch()
    assert machine.run().returncode == 0
    assert machine.asked == ""


def test_root_gets_what_is_missing_from_the_packages(machine: Machine) -> None:
    machine.has("id", "echo 0")
    machine.has("apt-get", APT.format(install='{ touch "$HERE/$4" && chmod +x "$HERE/$4"; }'))
    (machine.here / "npm").unlink()
    assert machine.run().returncode == 0
    assert machine.asked.replace("apt-get update -qq\n", "").splitlines() == [
        "apt-get install -y -qq chromium fonts-dejavu-core",
        "apt-get install -y -qq npm",
    ]


@pytest.mark.parametrize("user", [0, 1000])
def test_else_playwright_fetches_one(machine: Machine, user: int) -> None:
    """For an ordinary user, and for root where the packages have none."""
    machine.has("id", f"echo {user}")
    machine.has("python", PYTHON.format(fetch='touch "$HERE/fetched"'))
    done = machine.run()
    assert done.returncode == 0
    assert machine.asked.splitlines()[-1] == "-m playwright install chromium"
    assert ("apt-get" in machine.asked) == (user == 0)


def test_where_none_can_be_had_one_sentence_says_what_to_do(machine: Machine) -> None:
    done = machine.run()
    assert done.returncode == 1
    assert done.stdout == ""
    assert done.stderr.count("\n") == 1
    assert "install Chromium (Debian: apt install chromium, as root) and say make test again" in done.stderr
    assert machine.asked.splitlines() == ["-m playwright install chromium"]


def test_the_checker_is_asked_for_as_the_browser_is(machine: Machine) -> None:
    machine.has("chromium", "exit 0")
    (machine.here / "npm").unlink()
    done = machine.run()
    assert done.returncode == 1
    assert done.stderr.count("\n") == 1
    assert "apt install npm" in done.stderr
