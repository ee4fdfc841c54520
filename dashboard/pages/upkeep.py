"""Keep it safe: backup, check, restore; with a word on how long ago the last backup was."""

import streamlit as st

from dashboard.access.ask import place
from dashboard.access.sign_in import current_viewer
from dashboard.parts.jobs import offered
from dashboard.parts.screen import behind, said
from warehouse.store.chain import keep_key
from warehouse.store.storage import utc_now
from warehouse.upkeep.backup import last_backup
from warehouse.words.sentences import say


def page() -> None:
    current_viewer().must_write()
    at = place()
    keep_key(at.folder, at.encryption_key())
    st.title("Keep it safe")
    reminder = st.container()
    offered("upkeep")
    if on := last_backup(at.folder):  # read after the jobs, one of which makes a backup
        days = (utc_now().date() - on).days
    behind()
    with reminder:
        said(say("upkeep.backup", n=days, on=on) if on else say("upkeep.no_backup"))


page()
