"""Workbooks as discs, mails and half-finished downloads leave them: damaged in every way, from one seed."""

from __future__ import annotations

import io
import re
import zipfile
import zlib
from collections.abc import Callable, Iterator

import numpy as np

Parts = dict[str, bytes]
Rng = np.random.Generator


def taken_apart(book: bytes) -> Parts:
    """The entries of the archive by name."""
    with zipfile.ZipFile(io.BytesIO(book)) as archive:
        return {name: archive.read(name) for name in archive.namelist()}


def put_together(parts: Parts) -> bytes:
    """An archive whose sums of its entries are right, whatever they hold."""
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in parts.items():
            archive.writestr(zipfile.ZipInfo(name), content, zipfile.ZIP_DEFLATED)
    return stream.getvalue()


# --- bytes ---------------------------------------------------------------------------------------


def flipped(data: bytes, rng: Rng) -> bytes:
    """One to eight bits turned."""
    changed = bytearray(data)
    for place in rng.integers(0, len(data), rng.integers(1, 9)):
        changed[place] ^= 1 << int(rng.integers(0, 8))
    return bytes(changed)


def cut_short(data: bytes, rng: Rng) -> bytes:
    """The end is missing."""
    return data[: int(rng.integers(1, len(data)))]


def zeroed(data: bytes, rng: Rng) -> bytes:
    """A stretch of zero bytes."""
    begin = int(rng.integers(0, len(data)))
    long = int(rng.integers(1, max(len(data) // 4, 2)))
    return data[:begin] + b"\0" * min(long, len(data) - begin) + data[begin + long :]


def removed(data: bytes, rng: Rng) -> bytes:
    """A stretch that is missing."""
    begin = int(rng.integers(0, len(data)))
    return data[:begin] + data[begin + int(rng.integers(1, max(len(data) // 4, 2))) :]


def digits_changed(data: bytes, rng: Rng) -> bytes:
    """A number or a quoted value replaced by one that cannot be."""
    places = [match.span() for match in re.finditer(rb"\d+|\"[^\"]*\"", data)]
    if not places:
        return data + b"<"
    begin, end = places[int(rng.integers(len(places)))]
    other = [b"-1", b"999999999999", b"1e308", b'""', b'"A0"', b'"ZZZ9"', b"nan", b"\xff\xfe"]
    return data[:begin] + other[int(rng.integers(len(other)))] + data[end:]


BYTES: tuple[Callable[[bytes, Rng], bytes], ...] = (flipped, cut_short, zeroed, removed, digits_changed)


# --- entries -------------------------------------------------------------------------------------


def entry_lost(parts: Parts, rng: Rng) -> Parts:
    """One entry is not there."""
    gone = list(parts)[int(rng.integers(len(parts)))]
    return {name: content for name, content in parts.items() if name != gone}


def entry_renamed(parts: Parts, rng: Rng) -> Parts:
    """One entry has another name."""
    gone = list(parts)[int(rng.integers(len(parts)))]
    return {(f"{name}x" if name == gone else name): content for name, content in parts.items()}


def entries_exchanged(parts: Parts, rng: Rng) -> Parts:
    """Two entries hold each other's content."""
    one, other = rng.choice(len(parts), 2, replace=False)
    names = list(parts)
    return parts | {names[one]: parts[names[other]], names[other]: parts[names[one]]}


def entry_emptied(parts: Parts, rng: Rng) -> Parts:
    """One entry holds nothing."""
    return parts | {list(parts)[int(rng.integers(len(parts)))]: b""}


ENTRIES: tuple[Callable[[Parts, Rng], Parts], ...] = (
    entry_lost, entry_renamed, entries_exchanged, entry_emptied,
)  # fmt: skip


def damaged(book: bytes, number: int, seed: int) -> Iterator[tuple[str, bytes]]:
    """So many damaged copies: of the archive, of what is inside an entry, of the entries."""
    rng = np.random.default_rng(seed)
    parts = taken_apart(book)
    names = [name for name in parts if not name.startswith("docProps/")]
    for turn in range(number):
        if turn % 4 == 0:
            way = BYTES[turn // 4 % len(BYTES)]
            yield f"{turn}: archive {way.__name__}", way(book, rng)
        elif turn % 4 == 1:
            change = ENTRIES[turn // 4 % len(ENTRIES)]
            yield f"{turn}: {change.__name__}", put_together(change(parts, rng))
        else:
            way = BYTES[turn // 2 % len(BYTES)]
            name = names[int(rng.integers(len(names)))]
            yield f"{turn}: {name} {way.__name__}", put_together(parts | {name: way(parts[name], rng)})


# --- other kinds ---------------------------------------------------------------------------------


def with_password_bit(book: bytes) -> bytes:
    """Every entry said to be locked, as archive programs do it."""
    changed = bytearray(book)
    for mark, place in ((b"PK\x03\x04", 6), (b"PK\x01\x02", 8)):
        for match in re.finditer(re.escape(mark), book):
            changed[match.start() + place] |= 1
    return bytes(changed)


def unknown_packing(book: bytes) -> bytes:
    """Entries packed by a method that nothing here unpacks."""
    changed = bytearray(book)
    for mark, place in ((b"PK\x03\x04", 8), (b"PK\x01\x02", 10)):
        for match in re.finditer(re.escape(mark), book):
            changed[match.start() + place] = 97
    return bytes(changed)


def with_sheet(book: bytes, content: bytes) -> bytes:
    """The first sheet holds other XML."""
    return put_together(taken_apart(book) | {"xl/worksheets/sheet1.xml": content})


HEAD = b'<worksheet xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main"><sheetData>'
TAIL = b"</sheetData></worksheet>"
LAUGHS = (
    b'<!DOCTYPE a [<!ENTITY a0 "ha">'
    + b"".join(b'<!ENTITY a%d "%s">' % (n, b"&a%d;" % (n - 1) * 10) for n in range(1, 12))
    + b"]>"
)


def other_kinds(book: bytes) -> dict[str, bytes]:
    """Files that are no workbook of records, and some that are made to hurt."""
    far = b'<row r="999999999999"><c r="A999999999999"><v>1</v></c></row>'
    total = zlib.crc32(taken_apart(book)["xl/workbook.xml"]).to_bytes(4, "little")
    wide = b"".join(b'<row r="%d"><c r="XFD%d"><v>1</v></c></row>' % (n, n) for n in range(2, 4_000))
    return {
        "one byte": b"P",
        "an empty archive": b"PK\x05\x06" + b"\0" * 18,
        "an archive of something else": put_together({"letter.txt": b"hello"}),
        "locked or older": b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + b"\0" * 600,
        "locked entries": with_password_bit(book),
        "unknown packing": unknown_packing(book),
        "a row beyond every sheet": with_sheet(book, HEAD + far + TAIL),
        "cells far to the right": with_sheet(book, HEAD + wide + TAIL),
        "text that multiplies": with_sheet(book, LAUGHS + HEAD + b"<row><c><v>&a11;</v></c></row>" + TAIL),
        "deeply nested": with_sheet(book, HEAD + b"<row>" * 200_000),
        "more than it can hold": _said_to_be_larger(with_sheet(book, b"\0" * 4_000)),
        "a sum that is wrong": book.replace(total, b"abcd"),
    }


def _said_to_be_larger(book: bytes) -> bytes:
    """The archive's table says of every entry that it unpacks to two gigabytes."""
    changed = bytearray(book)
    for match in re.finditer(re.escape(b"PK\x01\x02"), book):
        changed[match.start() + 24 : match.start() + 28] = (2_000_000_000).to_bytes(4, "little")
    return bytes(changed)
