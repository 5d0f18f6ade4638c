"""The desk's server: its pages in one table, its addresses, and its beginning and end."""

from __future__ import annotations

import ipaddress
import socket
import threading
from pathlib import Path
from typing import Any

import uvicorn
from starlette.applications import Starlette
from starlette.responses import PlainTextResponse, Response
from starlette.routing import Mount, Route
from starlette.staticfiles import StaticFiles

from studykit.desk import arriving, beginning, conduct, office, phones
from studykit.desk.asking import Desk, Page, endpoint
from studykit.desk.guard import Guard
from studykit.desk.house import House
from studykit.desk.jobs import Jobs
from studykit.desk.pairing import Pairing
from studykit.errors import ArgumentError

PORT = 8642
AT_ONCE = 64  # connections; more are refused at once, so that memory stays bounded
PAGES: tuple[Page, ...] = (
    *arriving.PAGES, *beginning.PAGES, *conduct.PAGES, *office.PAGES, *phones.PAGES,
)  # fmt: skip


def make_desk(place: Path, folder: Path | None, *, port: int = PORT) -> Desk:
    """The desk of a study's folder, or one that begins without a study."""
    desk = Desk(place, Pairing(), Jobs(), cookie=f"desk_{port}", opener=open_address)
    desk.hosts |= {f"127.0.0.1:{port}", f"localhost:{port}"}
    if folder is not None:
        desk.house = House.open(folder)
    return desk


def make_app(desk: Desk) -> Any:
    """The ASGI application: every page behind the guard."""
    routes: list[Any] = [
        Route(page.path, endpoint(desk, page), methods=["GET", "POST"] if page.post else ["GET"])
        for page in PAGES
    ]
    routes.append(Mount("/static", StaticFiles(directory=Path(__file__).parent / "static")))

    async def unknown(*_: Any) -> Response:
        return PlainTextResponse("There is no such page at the desk.", 404)

    async def broken(*_: Any) -> Response:
        return PlainTextResponse(
            "A mistake inside studykit. What was saved before is untouched; go back, and "
            "tell its contributors.",
            500,
        )

    app = Starlette(routes=routes, exception_handlers={404: unknown, 500: broken})
    return Guard(app, lambda: frozenset(host.encode() for host in desk.hosts))


def free_port(wanted: int, address: str = "127.0.0.1") -> int:
    """The port that is wanted, or the next one that is free."""
    for port in range(wanted, wanted + 20):
        with socket.socket() as trial:
            try:
                trial.bind((address, port))
            except OSError:
                continue
        return port
    raise ArgumentError(where="desk", expected=f"a free port from {wanted} on", got="none",
                        todo="Close other programs, or give another: --port 9000.")  # fmt: skip


def own_address() -> str:
    """The private address of this computer in its network, empty where it has none."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as trial:
        try:
            trial.connect(("192.0.2.1", 9))  # nothing is sent: it only asks which address would be used
            found = str(trial.getsockname()[0])
        except OSError:
            return ""
    return found if is_private(found) else ""


def is_private(address: str) -> bool:
    """Whether an address is of a private network, and of no loopback.

    Examples
    --------
    >>> is_private("192.168.1.20"), is_private("8.8.8.8"), is_private("0.0.0.0"), is_private("127.0.0.1")
    (True, False, False, False)
    """
    try:
        told = ipaddress.ip_address(address)
    except ValueError:
        return False
    return told.version == 4 and told.is_private and not (
        told.is_loopback or told.is_unspecified or told.is_link_local or told.is_multicast
    )  # fmt: skip


def server(app: Any, *, address: str, port: int) -> uvicorn.Server:
    """A server on one address."""
    settings = uvicorn.Config(
        app,
        host=address,
        port=port,
        log_level="error",
        access_log=False,
        server_header=False,
        date_header=False,
        limit_concurrency=AT_ONCE,
        timeout_keep_alive=5,
        proxy_headers=False,
        lifespan="off",
        ws="none",
        timeout_graceful_shutdown=3,
    )
    return uvicorn.Server(settings)


def open_address(desk: Desk, address: str = "") -> str:
    """Let phones reach the desk at one private address of this computer; gives ``host:port``.

    Raises
    ------
    ArgumentError
        If there is no private address: never on a public one, never on all.
    """
    if desk.open_address:
        return desk.open_address
    own = address or own_address()
    if not is_private(own):
        raise ArgumentError(
            where="phones",
            expected="a private address of this computer, such as 192.168.1.20",
            got=own or "none",
            todo="Join the studio's own Wi-Fi, then try again.",
        )
    port = free_port(int(desk.cookie.rpartition("_")[2]), own)
    served = server(make_app(desk), address=own, port=port)
    desk.hosts.add(f"{own}:{port}")
    desk.open_address = f"{own}:{port}"
    desk.servers.append(served)
    threading.Thread(target=served.run, name="phones", daemon=True).start()
    if desk.house is not None:
        desk.house.note_address(desk.open_address)
    return desk.open_address
