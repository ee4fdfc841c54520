"""The command line: what it imports at the start, and what it says when something goes wrong."""

from __future__ import annotations

import json
import subprocess
import sys
from runpy import run_module
from types import SimpleNamespace

import pytest

from pipelines import cli
from tests.conftest import Study

HEAVY = ("polars", "duckdb", "pandas", "numpy", "scipy", "statsmodels", "great_expectations", "altair", "streamlit")


def test_help_imports_nothing_heavy() -> None:
    code = "import sys; from pipelines.cli import _parser; _parser([]); print(' '.join(sys.modules))"
    loaded = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout.split()
    assert [name for name in HEAVY if name in loaded] == []


def test_a_rate_is_read_without_what_only_charts_and_models_need(study: Study) -> None:
    """DuckDB's client imports pandas at the first value it binds; no command that reads may come to that."""
    code = (
        "import sys; from pipelines.cli import main; ended = main(sys.argv[1:]);"
        " print(ended, *sys.modules, file=sys.stderr)"
    )
    words = ["rate", "--json", "--warehouse", str(study.warehouse), "--by", "clinician"]
    run = subprocess.run([sys.executable, "-c", code, *words], capture_output=True, text=True, check=True)
    ended, *loaded = run.stderr.split()
    assert ended == "0"
    assert json.loads(run.stdout)["groups"]
    assert "duckdb" in loaded
    # the interval of the corrected share takes chi-squared quantiles of scipy.special, and no more of SciPy
    assert [name for name in ("pandas", "scipy.stats", "scipy.optimize", "altair") if name in loaded] == []


@pytest.mark.parametrize("command", cli.COMMANDS)
def test_every_command_explains_itself(command: str, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        cli.main([command, "--help"])
    assert ended.value.code == 0
    assert "usage: menton" in capsys.readouterr().out


def test_a_fault_of_the_program_shows_neither_trace_nor_value(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def broken(_: object) -> int:
        message = "Pirrik Fogbell"
        raise ZeroDivisionError(message)

    monkeypatch.delenv(cli.TRACE_VARIABLE, raising=False)
    assert cli._run(SimpleNamespace(run=broken)) == 70  # type: ignore[arg-type]
    error = capsys.readouterr().err
    assert "ZeroDivisionError in test_command_line.py" in error
    assert "Fogbell" not in error
    assert "Traceback" not in error


def test_no_command_at_all_prints_the_help(capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main([]) == 2
    assert "not a diagnosis" in capsys.readouterr().out


def test_a_fault_is_told_likewise_where_it_is_run_as_a_module(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def broken(_: object) -> int:
        message = "Pirrik Fogbell"
        raise ZeroDivisionError(message)

    monkeypatch.delenv(cli.TRACE_VARIABLE, raising=False)
    monkeypatch.setattr("pipelines.commands.template.run", broken)
    monkeypatch.setattr(sys, "argv", ["menton", "template"])
    monkeypatch.delitem(sys.modules, "pipelines.cli")
    with pytest.raises(SystemExit) as ended:
        run_module("pipelines.cli", run_name="__main__")
    assert ended.value.code == 70
    assert "ZeroDivisionError in test_command_line.py" in capsys.readouterr().err
