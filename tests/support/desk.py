"""A browser at the desk, without a network: pages, their tokens and keys, and what is sent from them."""

from __future__ import annotations

import html
import re
import secrets
import warnings
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from studykit.desk.asking import Desk
from studykit.desk.pairing import until
from studykit.desk.serving import make_app, make_desk
from studykit.study import Study
from studykit.study.journal import Entry, Row, utc_now

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    from starlette.testclient import TestClient

HOST = "127.0.0.1:8642"
ORIGIN = {"origin": f"http://{HOST}"}


def entry(key: str, *rows: Row, who: str = "T1", **more: Any) -> Entry:
    return Entry(more.pop("kind", "row"), who, "laptop", utc_now(), utc_now(), rows, key * 32, **more)


def a_desk(folder: Path, *, demo: bool = True) -> Desk:
    if demo:
        Study.demo(folder)
    return make_desk(folder.parent, folder if demo else None)


class Browser:
    """One person at one browser."""

    def __init__(self, desk: Desk, who: str = "", *, phone: bool = True) -> None:
        self.client = TestClient(make_app(desk), base_url=f"http://{HOST}", raise_server_exceptions=False)
        self.desk, self.secret = desk, secrets.token_hex(8)
        if who and desk.house is not None:
            desk.house.journal.admit(who, self.secret, phone=phone, until=until(1))
            self.client.cookies.set(desk.cookie, self.secret)

    def get(self, address: str, **more: Any) -> Any:
        return self.client.get(address, **more)

    def text(self, address: str) -> str:
        return str(self.get(address).text)

    def send(self, address: str, form: Mapping[str, str], **more: Any) -> Any:
        """As the page's own form sends it."""
        token = self.desk.token(self.secret)
        headers = ORIGIN | more.pop("headers", {})
        return self.client.post(address, data={"token": token, **form}, headers=headers, **more)

    def form(self, address: str) -> dict[str, str]:
        """What the fields of a page hold before anything is typed: hidden ones, and what is chosen."""
        page = self.text(address).split("<main")[1]
        found = {}
        for tag in re.findall(r"<input [^>]*>", page):
            told = dict(re.findall(r'(\w+)="([^"]*)"', tag))
            if told.get("type") not in ("radio", "checkbox") or " checked" in tag:
                found[told.get("name", "")] = html.unescape(told.get("value", ""))
        return found
