"""What every request passes first: own names only, own origin, small bodies, and headers that keep pages in.

It looks at raw headers and decides before anything else is read. Plain http in the studio's own network has
no secure context, so that neither ``Sec-Fetch`` headers nor ``Secure`` cookies exist there.
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, MutableMapping
from typing import Any

Scope = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[MutableMapping[str, Any]]]
Send = Callable[[MutableMapping[str, Any]], Awaitable[None]]

MOST_BYTES = 200_000
PATIENCE = 15.0  # seconds for a whole body
POLICY = "default-src 'self'; frame-ancestors 'none'; form-action 'self'; base-uri 'none'; object-src 'none'"
_HEADERS = (
    (b"x-content-type-options", b"nosniff"),
    (b"referrer-policy", b"same-origin"),
    (b"cross-origin-resource-policy", b"same-origin"),
    (b"permissions-policy", b"camera=(), microphone=(), geolocation=()"),
)


class Guard:
    """Lets a request through, or answers it at once.

    Parameters
    ----------
    app : ASGI application
    hosts : function
        Gives the own ``host:port`` pairs as they stand now.
    """

    def __init__(self, app: Any, hosts: Callable[[], frozenset[bytes]]) -> None:
        self.app, self.hosts = app, hosts

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """One request."""
        if scope["type"] == "lifespan":
            await self.app(scope, receive, send)
            return
        if scope["type"] != "http":
            return
        status, why = self._refused(scope)
        body = b""
        if not status and scope["method"] == "POST":
            try:
                body = await asyncio.wait_for(_body(receive), PATIENCE)
            except TimeoutError:
                status, why = 408, "The request came too slowly. Try again."
            if len(body) > MOST_BYTES:
                status, why = 413, "That is more than an entry can hold. Nothing was written."
        if status:
            await _answer(send, status, why)
            return
        await self.app(scope, _again(body, receive), _with_headers(send))

    def _refused(self, scope: Scope) -> tuple[int, str]:
        """Why a request is not let through; 0 where it is."""
        told: dict[bytes, list[bytes]] = {}
        for name, value in scope["headers"]:
            told.setdefault(name, []).append(value)
        hosts = told.get(b"host", [])
        if len(hosts) != 1 or hosts[0] not in self.hosts():
            return 421, "This is not an address of the desk. Use the one that stands on the laptop."
        if scope["method"] not in ("GET", "HEAD", "POST"):
            return 405, "The desk does not do this."
        if scope["method"] == "POST":
            if told.get(b"origin") != [b"http://" + hosts[0]]:
                return 403, "This did not come from a page of the desk. Open the desk's own page."
            length = told.get(b"content-length", [b"0"])[0]
            if not length.isdigit() or int(length) > MOST_BYTES:
                return 413, "That is more than an entry can hold. Nothing was written."
        return 0, ""


async def _body(receive: Receive) -> bytes:
    """The whole body, or a little more than may come."""
    parts = bytearray()
    while len(parts) <= MOST_BYTES:
        message = await receive()
        parts += message.get("body", b"")
        if message["type"] == "http.disconnect" or not message.get("more_body"):
            break
    return bytes(parts)


def _again(body: bytes, receive: Receive) -> Receive:
    """What was read, once more for the page that asks."""
    given = False

    async def once() -> MutableMapping[str, Any]:
        nonlocal given
        if given:
            return await receive()
        given = True
        return {"type": "http.request", "body": body, "more_body": False}

    return once


def _with_headers(send: Send) -> Send:
    async def sent(message: MutableMapping[str, Any]) -> None:
        if message["type"] == "http.response.start":
            headers = list(message.get("headers", []))
            there = {name.lower() for name, _ in headers}
            extra = (
                *_HEADERS,
                (b"content-security-policy", POLICY.encode()),
                (b"cache-control", b"no-store"),
            )
            headers += [(name, value) for name, value in extra if name not in there]
            message = {**message, "headers": headers}
        await send(message)

    return sent


async def _answer(send: Send, status: int, why: str) -> None:
    text = why.encode()
    headers = [(b"content-type", b"text/plain; charset=utf-8"), (b"content-length", str(len(text)).encode()),
               (b"connection", b"close")]  # fmt: skip
    await _with_headers(send)({"type": "http.response.start", "status": status, "headers": headers})
    await send({"type": "http.response.body", "body": text})
