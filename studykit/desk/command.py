"""The command that opens the front desk."""

from __future__ import annotations

import argparse
import asyncio
import threading
import webbrowser
from pathlib import Path

from studykit.commands import DONE, say


def desk(arguments: argparse.Namespace) -> int:
    """Open the front desk: the study is run from a page in the browser."""
    from studykit.desk.serving import free_port, make_app, make_desk, open_address, server

    place, folder = _place(arguments.desk_study)
    if arguments.shortcut:
        from studykit.desk.shortcut import write_shortcut

        desktop = Path.home() / "Desktop"
        written = write_shortcut(desktop if desktop.is_dir() else place, folder)
        say(f"To open the desk next time, double-click: {written}")
        return DONE
    port = free_port(arguments.port)
    desk_ = make_desk(place, folder, port=port)
    served = server(make_app(desk_), address="127.0.0.1", port=port)
    address = f"http://127.0.0.1:{port}/enter/{desk_.pairing.start}"
    say(f"The front desk: {address}")
    say("This address opens once, in one browser. Ctrl and C here closes the desk at any moment.")
    if arguments.phones:
        before = "" if desk_.house is None else desk_.house.last_address()
        opened = open_address(desk_)
        say(f"Phones: http://{opened}/pair")
        if before and before != opened:
            say(f"Last time it was {before}: what waits on a phone belongs to that address.")
    if not arguments.no_browser:
        threading.Timer(0.5, webbrowser.open, [address]).start()
    try:
        asyncio.run(served.serve())
    except KeyboardInterrupt:
        pass
    finally:
        for other in desk_.servers:
            other.should_exit = True
        desk_.jobs.close()
        if desk_.house is not None:
            desk_.house.close()
    say("The desk is closed.")
    return DONE


def _place(given: str) -> tuple[Path, Path | None]:
    """Where studies lie, and the study to open: the one that was named, is here, or is the only one here."""
    from studykit.study.folder import study_folder
    from studykit.study.snapshot import PROTOCOL

    if given:
        folder = study_folder(given).absolute()
        return folder.parent, folder
    here = Path.cwd()
    if (here / PROTOCOL).is_file():
        return here.parent, here
    found = sorted(path.parent for path in here.glob(f"*/{PROTOCOL}"))
    return here, found[0] if len(found) == 1 else None
