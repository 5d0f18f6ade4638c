"""The owner's page of phones: let one in by QR code or digits, see which there are, end one with a click."""

from __future__ import annotations

import io

import segno
from starlette.responses import Response

from studykit.desk.asking import Asked, Page
from studykit.desk.conduct import people
from studykit.desk.pairing import Offer
from studykit.errors import ArgumentError

HOURS = {"today": 16, "this week": 7 * 24}


def phones(asked: Asked) -> Response:
    """The list, and the switch that lets phones reach the desk."""
    return _page(asked, last=asked.house.last_address())


def _page(asked: Asked, *, offer: Offer | None = None, qr: str = "", last: str = "") -> Response:
    known = [one for one in asked.house.journal.devices() if one.phone]
    return asked.show(
        "phones.html.j2",
        phones=known[::-1],
        address=asked.desk.open_address,
        codes=people(asked),
        hours=list(HOURS),
        offer=offer,
        qr=qr,
        last=last,
    )


def let_in(asked: Asked) -> Response:
    """A code for one person's phone."""
    who, hours = asked.form.get("who", ""), HOURS.get(asked.form.get("hours", "today"), 16)
    if who not in people(asked):
        raise ArgumentError(where="code", expected="the code of a role or a trainer", got=repr(who[:40]))
    if not asked.desk.open_address:
        raise ArgumentError(
            where="phones",
            expected="phones that can reach the desk",
            got="a desk for this laptop",
            todo="Open it for phones first, on this page.",
        )
    offer = asked.desk.pairing.offer(who, hours=hours)
    target, picture = f"http://{asked.desk.open_address}/pair#{offer.secret}", io.BytesIO()
    segno.make(target, error="m").save(
        picture,
        kind="svg",
        xmldecl=False,
        scale=6,
        border=4,
        title="QR code",
        svgclass=None,
        lineclass=None,
        omitsize=True,
        nl=False,
    )
    return _page(asked, offer=offer, qr=picture.getvalue().decode())


def end(asked: Asked) -> Response:
    """End a phone; what waits on it stays there until it is let in again."""
    number = asked.form.get("number", "")
    if number.isdecimal():
        asked.house.journal.change_device(int(number), ended=True)
    return asked.go("/phones")


def open_for_phones(asked: Asked) -> Response:
    """Listen on the laptop's own private address too."""
    asked.desk.opener(asked.desk)
    return asked.go("/phones")


PAGES = (
    Page("/phones", "office", phones),
    Page("/phones/let-in", "office", let_in, post=True),
    Page("/phones/end", "office", end, post=True),
    Page("/phones/open", "office", open_for_phones, post=True),
)
