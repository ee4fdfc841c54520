"""Disclosure control: the one engine for every table that leaves a practice or a group."""

from warehouse.disclosure.layout import Dimension, Layout
from warehouse.disclosure.policy import Policy
from warehouse.disclosure.protect import protect
from warehouse.disclosure.published import HIDDEN, Count, Guard, ProtectedTable, Release
from warehouse.disclosure.table import Table

__all__ = ["HIDDEN", "Count", "Dimension", "Guard", "Layout", "Policy", "ProtectedTable", "Release", "Table", "protect"]
