"""k-anonymity and l-diversity of rows that leave a practice, and the generalisation that reaches them."""

from __future__ import annotations

from warehouse.anonymity.assessment import Anonymity, assess
from warehouse.anonymity.hierarchy import ANY, Hierarchy
from warehouse.anonymity.search import Anonymised, anonymise

__all__ = ["ANY", "Anonymised", "Anonymity", "Hierarchy", "anonymise", "assess"]
