"""How a browser comes in: the laptop's own, and paired phones; and help where a phone does not open it."""

from __future__ import annotations

import secrets

from starlette.responses import JSONResponse, Response

from studykit.desk.asking import Asked, Page
from studykit.desk.pairing import until
from studykit.errors import ArgumentError

DAY = 16  # hours


def enter(asked: Asked) -> Response:
    """The laptop's own browser, by the address that the command opens."""
    if not asked.desk.pairing.begin(asked.path["secret"]):
        if asked.viewer.device:
            return asked.go("/")
        return asked.tell(
            "This address was used before",
            "It opens the desk once. Stop the desk on the laptop, and start it again.",
            status=403,
            links=(),
        )
    secret = secrets.token_urlsafe(24)
    if asked.desk.house is None:
        asked.desk.pairing.early[secret] = ""
    else:
        asked.desk.house.journal.admit("", secret, phone=False, until=until(DAY))
    return admitted(asked, asked.go("/"), secret, DAY)


def admitted(asked: Asked, response: Response, secret: str, hours: int) -> Response:
    """The same answer with the browser's own secret, which no script can read."""
    response.set_cookie(asked.desk.cookie, secret, max_age=hours * 3600, httponly=True, samesite="strict")
    return response


def pair(asked: Asked) -> Response:
    """A phone comes in by the secret of the QR code, or by the digits."""
    if not asked.post:
        return asked.show("pair.html.j2")
    if asked.desk.house is None:
        raise ArgumentError(where="code", expected="a study on the laptop", got="none yet")
    offer = asked.desk.pairing.take(asked.form.get("code", ""))
    secret = secrets.token_urlsafe(24)
    asked.desk.house.journal.admit(offer.who, secret, phone=True, until=until(offer.hours))
    answer = JSONResponse({"go": "/"}) if asked.form.get("quiet") else asked.go("/")
    return admitted(asked, answer, secret, offer.hours)


def trouble(asked: Asked) -> Response:
    """What to do where a phone does not open the page."""
    return asked.show("phone_trouble.html.j2")


PAGES = (
    Page("/enter/{secret}", "nobody", enter, alone=True),
    Page("/pair", "nobody", pair, post=True, alone=True),
    Page("/phone-trouble", "nobody", trouble, alone=True),
)
