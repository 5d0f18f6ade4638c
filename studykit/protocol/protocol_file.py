"""Read a protocol from its file; whatever is wrong with it is told all at once."""

from __future__ import annotations

import codecs
import tomllib
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from studykit.errors import Finding, FolderError, ProtocolError
from studykit.protocol.excess import excess_findings
from studykit.protocol.lines import place
from studykit.protocol.made_texts import with_texts
from studykit.protocol.messages import type_findings
from studykit.protocol.places import Places
from studykit.protocol.ready import over_ready, whole_text
from studykit.protocol.resolved import resolved_digest
from studykit.protocol.rules import check_protocol
from studykit.protocol.strategies import strategy_findings
from studykit.protocol.syntax import backslash_findings, syntax_findings
from studykit.protocol.types import Protocol

FORMAT = 1
_UTF_16 = (codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)


@dataclass(frozen=True, slots=True)
class ReadProtocol:
    """A protocol and the text it came from.

    Parameters
    ----------
    protocol : Protocol
        Typed, with every default.
    text : str
        As typed, without a byte-order mark and with Unix line ends.
    where : str
        The file's name, for messages.
    digest : str
        SHA-256 of the resolved content.
    content : dict
        What the types were made from: the typed entries over those of the ready protocol, texts made.
    """

    protocol: Protocol
    text: str
    where: str
    digest: str
    content: dict[str, Any] = field(compare=False, repr=False)

    @property
    def whole(self) -> str:
        """A text that needs no other page: as typed where nothing was filled in, else every entry."""
        return whole_text(self.content, typed=self.text)

    @property
    def findings(self) -> tuple[Finding, ...]:
        """Notes and warnings; a protocol with a stop finding is never read."""
        return check_protocol(self.protocol, where=self.where, text=self.text)


def read_protocol(path: Path | str, *, locked: bool = False) -> ReadProtocol:
    """Read a protocol file.

    Parameters
    ----------
    path : path
        A TOML file in UTF-8, with or without byte-order mark.
    locked : bool
        Whether the study is locked; see `parse_protocol`.

    Raises
    ------
    FolderError
        If there is no such file.
    ProtocolError
        With every finding that stops the work.

    Examples
    --------
    >>> from studykit.shipped import shipped
    >>> read_protocol(shipped("protocols") / "parallel.toml").protocol.design
    'parallel'
    """
    path = Path(path)
    try:
        data = path.read_bytes()
    except (FileNotFoundError, IsADirectoryError, NotADirectoryError):
        raise FolderError(
            where=str(path),
            expected="a protocol file",
            got="a folder" if path.is_dir() else "nothing there",
            todo="Check the path, or make a study with: studykit new FOLDER",
        ) from None
    return parse_protocol(_decoded(data, where=str(path)), where=str(path), locked=locked)


def _decoded(data: bytes, *, where: str) -> str:
    todo = "Save the file again and choose the encoding UTF-8."
    if data.startswith(_UTF_16):
        raise ProtocolError([Finding("stop", where, "a text file in UTF-8", "one in UTF-16", todo)])
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        character = data[error.start : error.start + 1].decode("cp1252", errors="replace")
        got = f"a character in another encoding, probably {character}"
        raise ProtocolError(
            [Finding("stop", f"{where}, line {line}", "a text file in UTF-8", got, todo)]
        ) from None


def parse_protocol(text: str, *, where: str = "protocol.toml", locked: bool = False) -> ReadProtocol:
    """Read a protocol from its text.

    Parameters
    ----------
    text : str
        TOML.
    where : str
        The name that messages use.
    locked : bool
        Whether it was locked before: what it then claimed of strategies is read, and warned of elsewhere.

    Raises
    ------
    ProtocolError
        With every finding that stops the work.
    """
    text = text.removeprefix("\ufeff").replace("\r\n", "\n").replace("\r", "\n")
    document, lost = with_texts(over_ready(_document(text, where=where), where=where))
    try:
        protocol = Protocol.model_validate(document)
    except ValidationError as error:
        raise ProtocolError(type_findings(error, document, where=where, text=text)) from None
    found = check_protocol(protocol, where=where, text=text)
    stops = [finding for finding in found if finding.severity == "stop"]
    if not locked:
        at = Places.of(protocol, where=where, text=text)
        stops += strategy_findings(protocol, at, severity="stop")
    if not (locked or stops):  # what a text is made from is put right first
        stops = [
            Finding("stop", place(where, path, text=text, document=document),
                    "a text whose words in braces name entries of the protocol", found,
                    "Name an entry that is there, or write the text out under its heading, without braces.")
            for path, found in lost
        ]  # fmt: skip
    if stops:
        raise ProtocolError(stops)
    return ReadProtocol(protocol, text, where, resolved_digest(protocol), document)


def _document(text: str, *, where: str) -> dict[str, Any]:
    excess = excess_findings(text, where=where)
    if excess:
        raise ProtocolError(excess)
    try:
        document = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise ProtocolError(syntax_findings(text, where=where, error=error)) from None
    backslashes = backslash_findings(text, where=where)
    if backslashes:
        raise ProtocolError(backslashes)
    made_for = document.get("format")
    if isinstance(made_for, int) and not isinstance(made_for, bool) and made_for > FORMAT:
        raise ProtocolError(
            [
                Finding("stop", f"{where}, format", f"format = {FORMAT}", str(made_for),
                        "This protocol was made by a newer studykit; install that one.")
            ]
        )  # fmt: skip
    return document
