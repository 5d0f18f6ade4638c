"""A studio's day in every time zone, through changes of the clock and of the date line."""

from __future__ import annotations

import datetime as dt
import tempfile
import zoneinfo
from collections.abc import Sequence
from pathlib import Path

from hypothesis import example, given, settings
from hypothesis import strategies as st

from studykit.allocation.audit import audit
from studykit.allocation.blocks import PermutedBlocks
from studykit.allocation.entries import next_entry
from studykit.allocation.ledger import Ledger
from studykit.allocation.refusals import REQUIRED_FACTS
from studykit.allocation.surroundings import Surroundings
from studykit.protocol.local_time import in_zone, is_known, nearest_zone, zone_meant

METHOD = PermutedBlocks(("conventional", "partner_reps"))
FACTS = dict.fromkeys(REQUIRED_FACTS, True)
ZONES = sorted(zoneinfo.available_timezones())
HOUR = dt.timedelta(hours=1)
zones = st.sampled_from(ZONES)
moments = st.datetimes(
    min_value=dt.datetime(2012, 1, 1),  # noqa: DTZ001 — the strategy puts the zone
    max_value=dt.datetime(2037, 1, 1),  # noqa: DTZ001
    timezones=st.just(dt.UTC),
)


def utc(text: str) -> dt.datetime:
    return dt.datetime.fromisoformat(text).replace(tzinfo=dt.UTC)


def enrolled(zone: str, times: Sequence[dt.datetime]) -> Ledger:
    """Locked at the first time in a study of this zone; at each further one a client is drawn."""
    clock = iter([times[0], *times])
    surroundings = Surroundings(clock=lambda: next(clock))
    with tempfile.TemporaryDirectory() as folder:
        ledger = Ledger.create(Path(folder) / "ledger.db", by="OW", surroundings=surroundings)
        protocol = f'[study]\ntime_zone = "{zone}"'
        ledger.lock(protocol=protocol, protocol_hash="0" * 64, versions={}, method=METHOD, by="OW")
        for number in range(len(times) - 1):
            ledger.allocate(f"C{number}", stratum={}, facts=FACTS, method=METHOD, by="OW")
        ledger.read()
    return ledger


@settings(max_examples=40)
@given(zones, moments, st.lists(st.integers(0, 40 * 24 * 60), min_size=2, max_size=3))
# clocks put back over an hour that comes twice, by half an hour only, and over midnight
@example("America/Los_Angeles", utc("2026-11-01T08:30"), [15, 30])
@example("Australia/Lord_Howe", utc("2026-04-04T14:40"), [10, 25])
@example("America/Havana", utc("2026-11-01T04:30"), [15, 45])
# a day that Samoa left out when it crossed the date line, before and after which 48 hours of UTC are 3 days
@example("Pacific/Apia", utc("2011-12-30T09:30"), [20, 40])
# the longest ways from Greenwich, and an offset that is no whole hour
@example("Pacific/Kiritimati", utc("2026-12-31T10:00"), [1, 60])
@example("Pacific/Pago_Pago", utc("2027-01-01T10:59"), [1, 2])
@example("Asia/Kathmandu", utc("2026-12-31T18:14"), [1, 60])
def test_a_client_is_drawn_on_the_day_that_is_lived_there(
    zone: str, first: dt.datetime, minutes: list[int]
) -> None:
    times = [first, *(first + dt.timedelta(minutes=more) for more in sorted(minutes))]
    ledger = enrolled(zone, times)
    entries = tuple(ledger._memory.entries)
    made = ledger_days(entries)
    assert made == [moment.astimezone(zoneinfo.ZoneInfo(zone)).date() for moment in times[1:]]
    assert made == sorted(made), "days run on, whatever the clock does"
    told = [dt.datetime.fromisoformat(entry.entry_time) for entry in entries]
    whole = [moment.replace(microsecond=moment.microsecond // 1000 * 1000) for moment in times[1:]]
    assert told[2:] == whole, "and the moment is kept"
    assert {entry.body.get("time_zone") for entry in entries[1:]} == {zone}
    assert audit(entries).findings == ()


def ledger_days(entries: Sequence[object]) -> list[dt.date]:
    from studykit.allocation.acts import allocations_from

    return [made.day for made in allocations_from(entries)]  # type: ignore[arg-type]


@settings(max_examples=60)
@given(zones, moments, st.integers(-26, 26).filter(bool))
def test_a_day_that_is_not_the_zone_s_is_found(zone: str, moment: dt.datetime, hours: int) -> None:
    """Whoever moves an entry to another day by its offset, the moment kept, contradicts the zone."""
    there = in_zone(moment, zone)
    offset = there.utcoffset()
    assert offset is not None
    other = offset + hours * HOUR
    if abs(other) >= 24 * HOUR:
        other = offset - (hours % 5 + 1) * HOUR
    moved = moment.astimezone(dt.timezone(other))
    body = {"time_zone": zone, "reason": "x"}
    words = {"kind": "note", "by": "OW", "body": body}
    right = next_entry(None, entry_time=text(there), event_time=text(there), **words)  # type: ignore[arg-type]
    wrong = next_entry(None, entry_time=text(moved), event_time=text(moved), **words)  # type: ignore[arg-type]
    assert audit([right]).findings == ()
    (found,) = audit([wrong]).findings
    assert (found.expected, found.got) == (f"{text(there)}, the time in {zone}", text(moved))


def text(moment: dt.datetime) -> str:
    from studykit.allocation.entries import moment_text

    return moment_text(moment)


def test_every_zone_is_understood_as_it_is_typed() -> None:
    """By its name in any letters; by its city wherever only one has it."""
    cities = [zone.rpartition("/")[2].casefold() for zone in ZONES if "/" in zone]
    for zone in ZONES[:: len(ZONES) // 24]:
        assert is_known(zone)
        assert zone_meant(zone.lower()) == zone
        city = zone.rpartition("/")[2]
        if "/" in zone and cities.count(city.casefold()) == 1 and city not in ZONES:
            assert zone_meant(city.replace("_", " ")) == zone
    assert (zone_meant("atlantis"), nearest_zone("Europe/Viena")) == ("", "Europe/Vienna")
