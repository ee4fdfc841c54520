"""Rules about single cells, with permanent ids, read from ``cell_rules.toml``."""

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from types import MappingProxyType

from warehouse.toml_files import shipped, structure

NOT_A_NUMBER = "K001"
UNKNOWN_CODE = "K002"
NOT_A_DATE = "K003"
NOT_WHOLE = "K004"
NOT_A_TOOTH = "K005"
UNKNOWN_MEASURE = "K006"
UNIT_DOES_NOT_FIT = "K007"
NOT_A_QUARTER = "K008"
IMPOSSIBLE_DATE = "K009"
NOT_A_PSEUDONYM = "K010"
NO_START_DATE = "K011"
UNKNOWN_LANDMARK = "K012"


@dataclass(frozen=True, slots=True)
class CellRule:
    """A rule about one cell: permanent id, what is wrong, and what to do."""

    id: str
    reason: str
    remedy: str


@lru_cache(maxsize=1)
def cell_rules() -> Mapping[str, CellRule]:
    """Id -> rule, in the order of the file."""
    rules = structure(
        tuple[CellRule, ...], shipped("pipelines.contract", "cell_rules.toml")["rules"], where="cell_rules.toml"
    )
    return MappingProxyType({rule.id: rule for rule in rules})
