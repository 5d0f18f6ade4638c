"""Where a ledger may live: its home machine, and folders that another program copies about.

Two machines that allocate from two copies of one ledger give two histories. The ledger therefore
has a home, and a folder that looks as if it were synchronised is pointed out.
"""

from __future__ import annotations

import hashlib
import os
import platform
import re
import uuid
from pathlib import Path

_MACHINE_FILES = ("/etc/machine-id", "/var/lib/dbus/machine-id")
_NETWORK_FILE_SYSTEMS = ("nfs", "cifs", "smb", "afs", "9p", "webdav", "davfs", "sshfs", "fuse.ssh")
# Windows marks files that are fetched from elsewhere when they are read (winnt.h):
# offline, recall on open, pinned, recall on data access.
_FETCHED_FROM_ELSEWHERE = 0x1000 | 0x40000 | 0x80000 | 0x400000


def machine_code() -> str:
    """Twelve hexadecimal digits that stay the same on one machine and tell nothing about it.

    Examples
    --------
    >>> machine_code() == machine_code(), len(machine_code())
    (True, 12)
    """
    known = next((text for text in map(_first_line, _MACHINE_FILES) if text), "")
    source = known or f"{platform.node()}/{platform.machine()}/{uuid.getnode()}"
    return hashlib.sha256(f"studykit home {source}".encode()).hexdigest()[:12]


def _first_line(name: str) -> str:
    try:
        return Path(name).read_text(encoding="ascii").strip()
    except (OSError, UnicodeDecodeError):
        return ""


def synchronised_folder(path: Path) -> str:
    """Why a folder looks as if another program copied it to other machines; empty when it does not.

    Parameters
    ----------
    path : Path
        The study's folder; it need not exist yet.

    Notes
    -----
    A guess from names, hidden marker files, file marks and network file systems; it can be wrong
    both ways, so it is a reason to warn and not to refuse.

    Examples
    --------
    >>> synchronised_folder(Path("/home/owner/Cloud Files/study"))
    'the folder "Cloud Files" has a name that synchronised folders have'
    >>> synchronised_folder(Path("/home/owner/studies/first"))
    ''
    """
    whole = path.expanduser().absolute()
    for folder in (whole, *whole.parents):
        if _name_suggests(folder.name):
            return f'the folder "{folder.name}" has a name that synchronised folders have'
        marker = _marker_in(folder)
        if marker:
            return (
                f'the folder "{folder.name}" holds "{marker}", which programs that synchronise leave behind'
            )
        if _file_attributes(folder) & _FETCHED_FROM_ELSEWHERE:
            return f'the folder "{folder.name}" is marked as fetched from elsewhere'
    return _network_file_system(whole)


def _name_suggests(name: str) -> bool:
    """Whether one word of the name ends in cloud, drive or sync, or begins with sync."""
    spaced = re.sub(r"(?<=[a-z])(?=[A-Z])", " ", name).lower()
    words = re.findall(r"[a-z]+", spaced)
    return any(word.endswith(("cloud", "drive", "sync")) or word.startswith("sync") for word in words)


def _marker_in(folder: Path) -> str:
    """A hidden entry whose name speaks of synchronising, or repeats the folder's own name."""
    if folder == folder.parent:
        return ""
    own = folder.name.lower()
    hidden_twins = {f".{own}", f".{own}.cache"} if own else set()
    try:
        names = [entry.name for entry in os.scandir(folder) if entry.name.startswith((".", "_"))]
    except OSError:
        return ""
    for name in sorted(names):
        lower = name.lower()
        if "sync" in lower or lower in hidden_twins:
            return name
    return ""


def _file_attributes(folder: Path) -> int:
    try:
        return int(getattr(folder.stat(), "st_file_attributes", 0))
    except OSError:
        return 0


def _network_file_system(folder: Path) -> str:
    """Whether the folder lies on a network file system (known on Linux only)."""
    try:
        lines = Path("/proc/self/mounts").read_text(encoding="utf-8", errors="replace").splitlines()
    except OSError:
        return ""
    best, kind = "", ""
    for line in lines:
        _, mount, file_system, *_ = line.split(" ")
        mount = mount.replace("\\040", " ")
        if len(mount) >= len(best) and folder.is_relative_to(mount):
            best, kind = mount, file_system
    if kind.startswith(_NETWORK_FILE_SYSTEMS):
        return f'the folder lies on another machine (file system "{kind}"), where locks cannot be trusted'
    return ""
