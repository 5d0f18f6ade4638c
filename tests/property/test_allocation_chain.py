"""Whatever is done to a stored ledger, the chain shows it; what it cannot show, receipts do (E11, E14)."""

from __future__ import annotations

from dataclasses import replace

from hypothesis import given
from hypothesis import strategies as st

from studykit.allocation.entries import Entry, check_chain, next_entry

TIME = "2026-03-09T08:00:00.000Z"
SEEN = st.characters(exclude_categories=["Cc", "Cf", "Cs", "Zl", "Zp"])  # hidden ones are refused on entry
NAMES = st.text(SEEN, min_size=1, max_size=8).filter(lambda text: text == text.strip())
TEXTS = st.text(SEEN, max_size=5)
BODIES = st.dictionaries(TEXTS, st.integers() | TEXTS | st.none(), max_size=3)


@st.composite
def chains(draw: st.DrawFn, smallest: int = 3) -> list[Entry]:
    """A sound ledger of a few entries."""
    entries: list[Entry] = []
    for by, body in draw(st.lists(st.tuples(NAMES, BODIES), min_size=smallest, max_size=8)):
        last = entries[-1] if entries else None
        entries.append(next_entry(last, kind="note", by=by, entry_time=TIME, event_time=TIME, body=body))
    return entries


def broken(entries: list[Entry]) -> bool:
    return check_chain(entries) != ()


@given(chains())
def test_a_sound_chain_is_sound(entries):
    assert not broken(entries)


@given(chains(), st.data())
def test_any_changed_part_is_detected(entries, data):
    place = data.draw(st.integers(0, len(entries) - 1))
    field = data.draw(
        st.sampled_from(["position", "kind", "by", "entry_time", "event_time", "text", "previous", "code"])
    )
    old = getattr(entries[place], field)
    new = data.draw(
        (st.integers(-5, 99) if field == "position" else st.text(max_size=80)).filter(
            lambda value: value != old
        )
    )
    changed = [*entries[:place], replace(entries[place], **{field: new}), *entries[place + 1 :]]
    assert broken(changed)


@given(chains(), st.data())
def test_a_changed_entry_with_its_own_code_made_again_is_detected(entries, data):
    """Inside the ledger, making one code again only moves the break to the next entry."""
    place = data.draw(st.integers(0, len(entries) - 2))
    by = data.draw(NAMES.filter(lambda name: name != entries[place].by))
    forged = replace(entries[place], by=by)
    forged = replace(forged, code=forged.expected_code())
    assert broken([*entries[:place], forged, *entries[place + 1 :]])


@given(chains(), st.data())
def test_an_inserted_entry_is_detected(entries, data):
    place = data.draw(st.integers(0, len(entries) - 1))
    before = entries[place - 1] if place else None
    extra = next_entry(
        before, kind="note", by="intruder", entry_time=TIME, event_time=TIME, body=data.draw(BODIES)
    )
    assert broken([*entries[:place], extra, *entries[place:]])


@given(chains(), st.data())
def test_an_inner_removed_entry_is_detected(entries, data):
    place = data.draw(st.integers(0, len(entries) - 2))
    assert broken([*entries[:place], *entries[place + 1 :]])


@given(chains(), st.data())
def test_reordered_entries_are_detected(entries, data):
    order = data.draw(
        st.permutations(range(len(entries))).filter(lambda chosen: list(chosen) != sorted(chosen))
    )
    assert broken([entries[place] for place in order])


@given(chains(), st.data())
def test_a_cut_tail_keeps_a_sound_chain_and_is_shown_by_the_last_code(entries, data):
    """This is why receipts and the printed code exist."""
    keep = data.draw(st.integers(1, len(entries) - 1))
    assert not broken(entries[:keep])
    assert entries[-1].code not in {entry.code for entry in entries[:keep]}
