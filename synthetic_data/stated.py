"""What is stated as data beside the code."""

import tomllib
from importlib.resources import files
from typing import Any


def stated(file: str) -> dict[str, Any]:
    """The content of a TOML file of this package, lists as tuples."""
    text = files("synthetic_data").joinpath(file).read_text(encoding="utf-8")
    return {name: _fixed(value) for name, value in tomllib.loads(text).items()}


def _fixed(value: Any) -> Any:  # noqa: ANN401 - whatever a file of this package holds
    if isinstance(value, dict):
        return {name: _fixed(one) for name, one in value.items()}
    return tuple(map(_fixed, value)) if isinstance(value, list) else value
