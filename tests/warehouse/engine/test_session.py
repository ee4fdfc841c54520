"""Starting a Spark session where something is missing: said in words, and within the time given."""

from __future__ import annotations

import socket
from importlib.machinery import ModuleSpec
from pathlib import Path

import pytest

from warehouse.engine import session
from warehouse.errors import EngineError


def closed_port() -> int:
    """A port of this machine that nobody listens on."""
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        port: int = one.getsockname()[1]
    return port


@pytest.fixture
def with_pyspark(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """As if the packages were installed: the whole of Spark, with its jars."""
    (tmp_path / "jars").mkdir()
    spec = ModuleSpec("pyspark", None, origin=str(tmp_path / "__init__.py"))
    monkeypatch.setattr(session, "find_spec", lambda _: spec)
    monkeypatch.delenv("SPARK_HOME", raising=False)
    return tmp_path


def java(folder: Path, version: str) -> Path:
    """A program that says it is this Java."""
    program = folder / "bin" / "java"
    program.parent.mkdir()
    program.write_text(f"#!/bin/sh\necho 'openjdk version \"{version}\"' >&2\n")
    program.chmod(0o755)
    return folder


def test_without_the_extra(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(session, "find_spec", lambda _: None)
    with pytest.raises(EngineError, match="needs the package pyspark") as refused:
        session.start("local[1]")
    assert "menton[spark]" in refused.value.remedy


def test_with_the_client_alone(with_pyspark: Path) -> None:
    (with_pyspark / "jars").rmdir()
    with pytest.raises(EngineError, match="client of Spark Connect only"):
        session.start("spark://127.0.0.1:7077")


def test_without_java(with_pyspark: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("JAVA_HOME", raising=False)
    monkeypatch.setenv("PATH", str(with_pyspark))
    with pytest.raises(EngineError, match="needs Java, and there is none") as refused:
        session.start("local[1]")
    assert "JAVA_HOME" in refused.value.remedy


@pytest.mark.parametrize(
    ("version", "said"), [("1.8.0_392", "here is 8"), ("11.0.2", "here is 11"), ("?", "no version")]
)
def test_with_an_old_java(with_pyspark: Path, monkeypatch: pytest.MonkeyPatch, version: str, said: str) -> None:
    monkeypatch.setenv("JAVA_HOME", str(java(with_pyspark, version)))
    with pytest.raises(EngineError, match=said):
        session.start("local[1]")


@pytest.mark.parametrize("scheme", ["spark", "sc"])
def test_a_master_that_does_not_answer(with_pyspark: Path, monkeypatch: pytest.MonkeyPatch, scheme: str) -> None:
    monkeypatch.setenv("JAVA_HOME", str(java(with_pyspark, "17.0.1")))
    with pytest.raises(EngineError, match=r"no Spark master answers at .* within 0.2 seconds"):
        session.start(f"{scheme}://127.0.0.1:{closed_port()}", wait=0.2)


def test_an_address_that_is_none(with_pyspark: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("JAVA_HOME", str(java(with_pyspark, "21")))
    with pytest.raises(EngineError, match="no address of a Spark master"):
        session.start("http://127.0.0.1:80", wait=0.2)


def test_a_master_that_refuses_is_not_called_silent() -> None:
    def refuse() -> None:
        raise ValueError

    with pytest.raises(EngineError, match=r"refused to work with this program \(ValueError\)"):
        session._within(5, refuse, session._NO_MASTER, "sc://127.0.0.1:7077")


def test_work_that_takes_too_long_is_left_behind() -> None:
    import threading

    never = threading.Event()
    with pytest.raises(EngineError, match="no worker that takes up work within"):
        session._within(0.1, never.wait, session._NO_WORKER, "spark://127.0.0.1:7077")
    never.set()
