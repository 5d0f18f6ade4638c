"""A request as the pages see it, the table of pages, and how their answers are made."""

from __future__ import annotations

import hmac
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import parse_qsl, quote

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, PlainTextResponse, RedirectResponse, Response

from studykit.desk.house import House, State, new_key
from studykit.desk.viewers import NOBODY, Need, Viewer, viewer
from studykit.errors import FolderError, StudykitError
from studykit.report.rendering import render_page

if TYPE_CHECKING:
    from studykit.desk.jobs import Jobs
    from studykit.desk.pairing import Pairing
    from studykit.protocol.types import Protocol
    from studykit.study.snapshot import Snapshot

_KEY = re.compile(r"[0-9a-f]{32}")
MOST_FIELDS = 1500
Endpoint = Callable[["Asked"], Response]


@dataclass(slots=True)
class Desk:
    """What the pages share.

    Parameters
    ----------
    place : Path
        Where studies are looked for and made.
    house : House or None
        The study; None before there is one.
    pairing : Pairing
    jobs : Jobs
    hosts : set of str
        Own ``host:port`` pairs.
    cookie : str
        Its name, with the port in it: browsers do not tell cookies of two ports apart.
    open_address : str
        ``host:port`` at which phones reach the desk; empty while they do not.
    servers : list
        Those that run, to be ended together.
    opener : function
        Lets phones reach the desk.
    """

    place: Path
    pairing: Pairing
    jobs: Jobs
    house: House | None = None
    hosts: set[str] = field(default_factory=set)
    cookie: str = "desk"
    open_address: str = ""
    servers: list[Any] = field(default_factory=list)
    opener: Callable[[Desk], str] = lambda _: ""

    def token(self, secret: str) -> str:
        """What the forms of a browser carry; it follows from the browser's own secret."""
        return hmac.new(b"form", secret.encode(), "sha256").hexdigest()[:32]


@dataclass
class Asked:
    """One request.

    Parameters
    ----------
    desk : Desk
    secret : str
        Of the browser.
    path : mapping
        Parts of the address.
    query, form : mapping of str to str
    key : str
        The entry's own key, where a script sent it; empty otherwise.
    """

    desk: Desk
    secret: str
    path: Mapping[str, str]
    query: Mapping[str, str]
    form: Mapping[str, str]
    key: str = ""
    post: bool = False
    address: str = ""

    @property
    def house(self) -> House:
        """The study at the desk."""
        if self.desk.house is None:
            raise FolderError(where="desk", expected="a study", got="none yet", todo="Make one, or open one.")
        return self.desk.house

    @cached_property
    def state(self) -> State:
        """The study as it stood a moment ago, at the latest."""
        return self.house.state(fresh=False)

    @property
    def now(self) -> Snapshot:
        """The study as read."""
        return self.state.now

    @property
    def protocol(self) -> Protocol:
        """The protocol in force."""
        return self.now.protocol

    @cached_property
    def viewer(self) -> Viewer:
        """Who looks."""
        house = self.desk.house
        if not self.secret:
            return NOBODY
        if house is None:
            told = self.desk.pairing.early.get(self.secret)
            return NOBODY if told is None else viewer(None, told, phone=False, device=1,
                                                      token=self.desk.token(self.secret))  # fmt: skip
        device = house.journal.device(self.secret)
        if device is None:
            return NOBODY
        return viewer(self.now, device.who, phone=device.phone, device=device.number,
                      token=self.desk.token(self.secret))  # fmt: skip

    def show(self, template: str, *, status: int = 200, headers: Mapping[str, str] | None = None,
             **values: Any) -> Response:  # fmt: skip
        """A page."""
        title = "" if self.desk.house is None else self.protocol.study.title
        text = render_page(
            template, room="studykit.desk", viewer=self.viewer, study=title, has_study=bool(title),
            here=self.address, new_key=new_key, url=quote, **values,
        )  # fmt: skip
        return HTMLResponse(text, status, headers=dict(headers or {}))

    def tell(self, heading: str, text: str, *, status: int = 200, lines: Sequence[str] = (),
             links: Sequence[tuple[str, str]] = (("/", "Today"),)) -> Response:  # fmt: skip
        """A page that says one thing."""
        if self.key:
            return JSONResponse({"told": heading, "text": "\n".join((text, *lines))}, status)
        return self.show("told.html.j2", status=status, heading=heading, text=text, lines=lines, links=links)

    def go(self, address: str) -> Response:
        """On to another page of the desk."""
        return RedirectResponse(address, 303)


@dataclass(frozen=True, slots=True)
class Page:
    """One address: who it is for, and what it does.

    Parameters
    ----------
    path : str
    need : str
    show : function
    post : bool
        Whether something may be sent to it.
    alone : bool
        Whether there may be no study yet.
    """

    path: str
    need: Need
    show: Endpoint
    post: bool = False
    alone: bool = False


def endpoint(desk: Desk, page: Page) -> Callable[[Request], Any]:
    """The function that answers an address: who may, what came, and what is wrong in the words of `study`."""

    async def answer(request: Request) -> Response:
        form: dict[str, str] = {}
        if request.method == "POST":
            sent = (await request.body()).decode("utf-8", "replace")
            try:
                form = dict(parse_qsl(sent, keep_blank_values=True, max_num_fields=MOST_FIELDS))
            except ValueError:
                return PlainTextResponse("That is more than a form holds. Nothing was written.", 413)
        key = request.headers.get("idempotency-key", "")
        asked = Asked(
            desk, request.cookies.get(desk.cookie, ""),
            dict(request.path_params), dict(request.query_params), form, key if _KEY.fullmatch(key) else "",
            request.method == "POST", request.scope["path"],
        )  # fmt: skip
        return await run_in_threadpool(_answered, asked, page)

    return answer


def _answered(asked: Asked, page: Page) -> Response:
    desk = asked.desk
    try:
        if desk.house is None and not page.alone:
            return asked.go("/")
        if not asked.viewer.may(page.need):
            return _not_for(asked)
        if asked.post and page.need != "nobody" and not asked.key:
            token = asked.form.get("token", "")
            if not hmac.compare_digest(token.encode(), asked.viewer.token.encode()):
                return asked.tell(
                    "Please open the page anew",
                    "This page is from an earlier time. Nothing was "
                    "written; open it again and repeat the entry.",
                    status=403,
                )
        return page.show(asked)
    except StudykitError as error:
        return asked.tell("That could not be done", str(error), status=422)


def _not_for(asked: Asked) -> Response:
    """Somebody whom the desk does not know, or whose role the page is not for."""
    if not asked.viewer.device:
        return asked.tell(
            "Who are you?",
            "This browser is not known to the desk, or its time is over. Ask for a "
            "code on the laptop; on the laptop itself, start the desk again.",
            status=401,
            links=(("/pair", "I have a code"),),
        )
    return asked.tell("This page is for another role", "Nothing is shown here that your role should not see. "
                      "Ask the owner if you need it.", status=403)  # fmt: skip
