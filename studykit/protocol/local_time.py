"""The studio's clock: what day it is where the clients train.

A day is counted where it is lived: a client enrolled and trained in one evening has done both on one
day, whatever the day is by then in Greenwich. Every rule, window and sheet takes its day from here.
"""

from __future__ import annotations

import datetime as dt
import difflib
import os
import tomllib
import zoneinfo
from functools import lru_cache
from pathlib import Path


def in_zone(moment: dt.datetime, time_zone: str) -> dt.datetime:
    """A moment as the studio's clock shows it; unchanged where no time zone is named.

    Examples
    --------
    >>> evening = dt.datetime(2026, 12, 1, 1, 30, tzinfo=dt.UTC)
    >>> in_zone(evening, "America/Los_Angeles").isoformat()
    '2026-11-30T17:30:00-08:00'
    """
    return moment.astimezone(zoneinfo.ZoneInfo(time_zone)) if time_zone else moment


def _now() -> dt.datetime:
    return dt.datetime.now(dt.UTC)


def studio_now(time_zone: str = "") -> dt.datetime:
    """The time now with its offset from UTC; by this computer's own clock where no time zone is named."""
    return in_zone(_now().astimezone(), time_zone)


def studio_day(time_zone: str = "") -> dt.date:
    """The day it is now at the studio."""
    return studio_now(time_zone).date()


@lru_cache(maxsize=8)
def time_zone_of(text: str) -> str:
    r"""The time zone that a protocol's text names, ``""`` where it names none or cannot be read.

    Examples
    --------
    >>> time_zone_of('[study]\ntime_zone = "Pacific/Auckland"'), time_zone_of("format = 1")
    ('Pacific/Auckland', '')
    """
    try:
        study = tomllib.loads(text).get("study")
    except (ValueError, RecursionError):
        return ""
    named = study.get("time_zone", "") if isinstance(study, dict) else ""
    return named if isinstance(named, str) and is_known(named) else ""


def computer_zone() -> str:
    """The time zone that this computer keeps, by its name; ``""`` where the system does not tell one.

    Notes
    -----
    ``TZ`` comes first (POSIX), then the link ``/etc/localtime`` of Linux and macOS.
    """
    place = str(Path("/etc/localtime").resolve()).partition("zoneinfo/")[2]
    named = (os.environ.get("TZ", "").removeprefix(":"), place)
    return next((name for name in named if name and is_known(name)), "")


def zone_meant(typed: str) -> str:
    """The name of a time zone as its city, or the whole of it, was typed; ``""`` where it could be several.

    Examples
    --------
    >>> zone_meant("vienna"), zone_meant("europe/vienna"), zone_meant("Atlantis")
    ('Europe/Vienna', 'Europe/Vienna', '')
    """
    wanted = typed.strip().replace(" ", "_").casefold()
    names = zoneinfo.available_timezones()
    whole = [name for name in names if name.casefold() == wanted]
    cities = [name for name in names if name.casefold().rpartition("/")[2] == wanted and "/" in name]
    return min(whole or cities) if len(whole or cities) == 1 else ""


def nearest_zone(typed: str) -> str:
    """The time zone whose name is nearest to what was typed; ``""`` where none is near."""
    near = difflib.get_close_matches(typed, sorted(zoneinfo.available_timezones()), n=1)
    return near[0] if near else ""


def is_known(time_zone: str) -> bool:
    """Whether this computer knows a time zone of that name."""
    try:
        zoneinfo.ZoneInfo(time_zone)
    except (zoneinfo.ZoneInfoNotFoundError, ValueError, OSError):
        return False
    return True
