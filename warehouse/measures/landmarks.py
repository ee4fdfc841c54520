"""The landmarks a tracing may hold, from ``landmarks.toml``: code, name, definition, and the views they are seen in."""

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from importlib.resources import files
from types import MappingProxyType

LATERAL = "lateral_radiograph"
PROFILE = "profile_photo"
FRONTAL = "frontal_photo"
VIEWS = (LATERAL, PROFILE, FRONTAL)


@dataclass(frozen=True, slots=True)
class Landmark:
    """One named point."""

    code: str  # The code used in files; case matters (`Sn` is subnasale, `S` and `N` are two points)
    name: str  # The trade name
    definition: str  # Where it lies, in one sentence
    views: tuple[str, ...]  # The views in which it may be placed
    aliases: tuple[str, ...] = ()  # Other spellings that mean the same point
    source: str = "standard textbook definition (from memory)"  # Where the definition comes from


_DATA = tomllib.loads(files("warehouse.measures").joinpath("landmarks.toml").read_text(encoding="utf-8"))
LANDMARKS: Mapping[str, Landmark] = MappingProxyType(
    {
        code: Landmark(code, one["name"], one["definition"], tuple(one["views"]), tuple(one.get("aliases", ())))
        for code, one in _DATA["landmark"].items()
    }
)
ALIASES: Mapping[str, str] = MappingProxyType({alias: p.code for p in LANDMARKS.values() for alias in p.aliases})
#: Points that may truly lie on one spot.
MAY_TOUCH = tuple(frozenset(pair) for pair in _DATA["may_touch"])
