"""The numbered slips of an outsider's list, to be printed and put into envelopes."""

from __future__ import annotations

from collections.abc import Sequence

from studykit.allocation.sealed import Slip
from studykit.protocol.types import Protocol
from studykit.protocol.within_client import allocated_name
from studykit.report.rendering import render_page


def render_slips(slips: Sequence[Slip], protocol: Protocol, *, commitment: str) -> str:
    """The slips as HTML text, with what the outsider does with them.

    Parameters
    ----------
    slips : sequence of Slip
    protocol : Protocol
        For the title, and the names of what is drawn: arms, or their order, or the side of each.
    commitment : str
        Code of the list.
    """
    return render_page(
        "slips.html.j2",
        study=protocol.study.title,
        slips=slips,
        names={code: allocated_name(protocol, code) for code in protocol.allocated_codes},
        commitment=commitment,
        rule=protocol.allocation.method,
    )
