"""Where the dashboard is entered.

It lies apart from the pages: a folder called pages beside the entry script would be served by Streamlit as it stands,
before anybody asked who is looking.
"""
