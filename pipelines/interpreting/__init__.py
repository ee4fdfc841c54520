"""A file as read, turned into contract tables: de-identified, typed, with a reason for every cell not understood."""

from __future__ import annotations

from pipelines.interpreting.interpret import interpret

__all__ = ["interpret"]
