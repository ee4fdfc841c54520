"""A proposal for a mapping file, made from a file that nobody has mapped yet; what is unsure is left to the user."""

from __future__ import annotations

from pipelines.drafting.draft import Draft, DraftLine, draft_mapping
from pipelines.drafting.writing import draft_data, draft_text, left_to_do

__all__ = ["Draft", "DraftLine", "draft_data", "draft_mapping", "draft_text", "left_to_do"]
