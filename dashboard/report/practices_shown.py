"""The practices of the warehouse beside each other, as a report may show them: the very figures of the screen.

They are counted in one way only, so they stand in reports of all practices under the headline definition and in no
other. A report made to leave has them where it shows how many cases were counted and how many went adverse: next to a
hidden total they were not checked. There they take the place of the comparison by practice, which hides less: it is
not made for readers who know the counts of one of the practices.
"""

from __future__ import annotations

from dataclasses import replace

from dashboard.report.shown import Beside, Findings
from warehouse.marts.reader import Reader
from warehouse.pooled.this_warehouse import Here, practices_here
from warehouse.selection import Selection

BY_PRACTICE = "practice"


def with_practices(found: Findings, reader: Reader, *, selection: Selection, named: bool) -> Findings:
    """The findings with the practices beside each other, ``named`` or not, where these may be shown."""
    is_headline = found.definition.id == reader.definition(None).id
    knows_total = found.overall.counted.value is not None and found.overall.adverse.value is not None
    if selection != Selection() or not is_headline or not (knows_total or found.policy.hides_nothing):
        return found
    here = practices_here(reader)
    if here.pool.refused:
        return found
    comparisons = found.comparisons
    if not found.policy.hides_nothing:
        comparisons = tuple(one for one in comparisons if one.by.name != BY_PRACTICE)
    return replace(found, comparisons=comparisons, beside=_labelled(here) if named else Beside(here.pool, here.means))


def _labelled(here: Here) -> Beside:
    """With the pseudonyms of the practices in place of their numbers."""
    names = {tag: practice for practice, tag in here.tags.items()}
    shares = replace(here.pool, lines=tuple(replace(one, label=names[one.tag]) for one in here.pool.lines))
    if here.means is None:
        return Beside(shares, None)
    lines = tuple(replace(one, label=names[one.tag]) for one in here.means.lines)
    return Beside(shares, replace(here.means, lines=lines))
