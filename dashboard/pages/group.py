"""A study group: for a practice that takes part, and for who coordinates it."""

import streamlit as st

from dashboard.access.sign_in import current_viewer
from dashboard.parts.address import pick
from dashboard.parts.jobs import offered
from dashboard.parts.screen import behind, said
from warehouse.words.sentences import say
from warehouse.words.shares import NAMING

st.title("Study group")
current_viewer().must_write()
said(say("job.group"))
here = pick("You are here", {"member": "for a practice", "coordinator": "as coordinator"}, key="here", is_short=True)
offered("group", only=here)
behind(("Caution", NAMING))
