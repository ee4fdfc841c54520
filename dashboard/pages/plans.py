"""What is agreed beforehand: plans, definitions and measures of your own, growth references, sample sizes."""

import streamlit as st

from dashboard.parts.jobs import offered
from dashboard.parts.screen import behind
from warehouse.words.shares import CAUTION

st.title("Plans and definitions")
offered("plans")
behind(("Caution", CAUTION))
