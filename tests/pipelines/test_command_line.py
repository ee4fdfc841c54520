"""The command line: what it imports at the start, and what it says when something goes wrong."""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
from pkgutil import resolve_name
from runpy import run_module
from types import SimpleNamespace
from typing import get_args

import pytest

from pipelines import cli
from pipelines.commands.shortcut import ENDINGS
from tests.conftest import Study
from warehouse.analysis.proportion import ProportionMethod
from warehouse.plans.question import WITHIN

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


@pytest.mark.parametrize(
    ("command", "option", "place"),
    [
        ("drift", "--false-alarm", "warehouse.questions.drift:FALSE_ALARM"),
        ("drift", "--baseline", "warehouse.questions.drift:BASELINE"),
        ("drift", "--review-every", "warehouse.questions.drift:REVIEW_EVERY"),
        ("missing", "--seed", "warehouse.questions.missing:SEED"),
        ("dashboard", "--address", "dashboard.access.command:HERE"),
        ("rate", "--warehouse", "warehouse.command_options:DEFAULT_WAREHOUSE"),
    ],
)
def test_what_holds_where_nothing_is_said_is_that_of_the_code(command: str, option: str, place: str) -> None:
    usual, wanted = asked_of(command)[option].default, resolve_name(place)
    assert type(wanted)(usual) == wanted


def asked_of(command: str) -> dict[str, argparse.Action]:
    """The options of a command by name, those of shared lists among them."""
    parser = argparse.ArgumentParser()
    cli.add_options(parser, cli.COMMANDS[command])
    return {one.option_strings[-1]: one for one in parser._actions if one.option_strings}


@pytest.mark.parametrize(
    ("command", "option", "choices"),
    [
        ("rate", "--method", set(get_args(ProportionMethod)) - {"wilson_corrected"}),
        ("build", "--method", set(get_args(ProportionMethod)) - {"wilson_corrected"}),
        ("compare", "--within", set(WITHIN)),
        ("shortcut", "--system", set(ENDINGS)),
    ],
)
def test_choices_are_those_of_the_code(command: str, option: str, choices: set[str]) -> None:
    assert set(asked_of(command)[option].choices or ()) == choices


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
