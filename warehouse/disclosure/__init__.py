"""Disclosure control: the one engine for every table that leaves a practice or a group."""

from __future__ import annotations

from warehouse.disclosure.attack import CellRange, attack, attack_guarded
from warehouse.disclosure.following import Followed, mean_of, share_of
from warehouse.disclosure.layout import Dimension, Layout
from warehouse.disclosure.policy import HOSPITAL_2018, Policy
from warehouse.disclosure.protect import protect
from warehouse.disclosure.published import HIDDEN, Count, Guard, ProtectedTable, Release
from warehouse.disclosure.table import Table

__all__ = [
    "HIDDEN",
    "HOSPITAL_2018",
    "CellRange",
    "Count",
    "Dimension",
    "Followed",
    "Guard",
    "Layout",
    "Policy",
    "ProtectedTable",
    "Release",
    "Table",
    "attack",
    "attack_guarded",
    "mean_of",
    "protect",
    "share_of",
]
