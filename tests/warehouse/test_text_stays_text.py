"""Words of users (labels, titles, names) are text in Markdown too: never a picture, a link, emphasis or HTML."""

from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st
from markdown_it import MarkdownIt

from warehouse.export_safety import JOINER, as_markdown

HOSTILE = (
    "![x](http://192.0.2.1/spy.png)",
    "[press](javascript:alert(1))",
    "**bold** _soft_ ~~gone~~ `code` $x^2$",
    "<img src=http://192.0.2.1/spy.png onerror=alert(1)>",
    "<http://192.0.2.1>",
    "&lt;b&gt; &#33;",
    "# heading",
    "> said",
    "- item",
    "-",
    "+ item",
    "12. item",
    "---",
    "***",
    "___",
    "\\![x](y)",
    "one\n\n# two\n![x](y)",
    ":red[words] :material/home: :smile:",
)
READS = MarkdownIt("commonmark").enable(["strikethrough", "table"])
"""A reference implementation of CommonMark that is none of ours."""


def shown(text: str) -> str:
    """What a reader of Markdown shows for the text; it must be one paragraph of nothing but text."""
    tokens = READS.parse(as_markdown(text))
    assert [token.type for token in tokens] in ([], ["paragraph_open", "inline", "paragraph_close"]), tokens
    children = (tokens[1].children or []) if tokens else []
    assert {child.type for child in children} <= {"text", "text_special"}, children
    return "".join(child.content for child in children).replace(JOINER, "")


@pytest.mark.parametrize("text", HOSTILE)
def test_hostile_words_are_shown_as_they_stand(text: str) -> None:
    assert shown(text) == " ".join(text.split())


@given(st.text(alphabet="ab1 \\`*_[]()<>$~!#|&;:+-.=\"'/{}^%\n"))
def test_any_words_are_shown_as_they_stand(text: str) -> None:
    assert shown(text) == " ".join(text.split())


def test_what_streamlit_reads_beside_markdown_is_taken_its_meaning() -> None:
    """Its directives, from its documentation of ``st.markdown``: colours, icons, shortcodes, formulas."""
    assert as_markdown(":red[x] :material/home: :smile: $x$") == r"\:red\[x\] \:material/home: \:smile: \$x\$"


@pytest.mark.parametrize(
    "text", ["0.12 (0.10 to 0.15)", "-1.5", "sn_gogn_deg", "1,250 of 3,000", "< 0.001", "10:30", "—"]
)
def test_ordinary_cells_are_not_touched(text: str) -> None:
    assert as_markdown(text) == text


@pytest.mark.parametrize("text", ["http://a.example/x", "HTTPS://a.example", "www.a.example", "a@b.example"])
def test_an_address_is_no_link_where_readers_make_links_of_addresses(text: str) -> None:
    """The beginnings that readers of GitHub Flavored Markdown (0.29, section 6.9) look for are not there."""
    begins = re.compile(r"https?://|www\.|[-.\w+]@[-\w]+\.", re.IGNORECASE)
    assert begins.search(text)
    assert not begins.search(as_markdown(text))
    assert shown(text) == text
