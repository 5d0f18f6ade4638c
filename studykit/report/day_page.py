"""The list of a day as one printable page, and all session sheets of the day in one file."""

from __future__ import annotations

import re
from collections.abc import Sequence

from studykit.outcomes.day_list import DayList
from studykit.outcomes.session_plan import SessionPlan
from studykit.protocol.types import Protocol
from studykit.report.rendering import render_page
from studykit.report.session_sheet import render_session_sheet

_STOP = 'id="stop'


def day_page(day: DayList, head: str) -> str:
    """The list of a day as HTML text.

    Parameters
    ----------
    day : DayList
        As the reader may see it.
    head : str
        The ledger's last entry, to be kept with the paper.
    """
    return render_page("day.html.j2", day=day, head=head)


def sheets_of_day(plans: Sequence[SessionPlan], protocol: Protocol, head: str = "") -> str:
    """All session sheets one after the other, each on paper of its own, as one HTML text.

    Parameters
    ----------
    plans : sequence of SessionPlan
        One at least.
    protocol : Protocol
    head : str
        As for `day_page`, at the end of each.
    """
    first, *_ = pages = [render_session_sheet(plan, protocol, head=head) for plan in plans]
    bodies = []
    for number, page in enumerate(pages):  # the links of a page lead to its own stop signs
        own = _inside(page).replace('"#stop"', f'"#stop-{number}"').replace(_STOP, f"{_STOP}-{number}")
        bodies.append(f'<div class="one">{own}</div>')
    titled = re.sub("<title>.*?</title>", f"<title>Session sheets of {plans[0].today}</title>", first)
    return titled.replace(_inside(first), "".join(bodies))


def _inside(page: str) -> str:
    """What stands in the body of a page."""
    return page.partition("<body")[2].partition(">")[2].rpartition("</body>")[0]
