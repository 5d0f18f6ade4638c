"""The files of an outsider's list: made by one command, read at the lock."""

from __future__ import annotations

import itertools
import json
import math
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from studykit.errors import ArgumentError, DesignError, FolderError
from studykit.study.folder import made_whole
from studykit.study.snapshot import RECORDS

if TYPE_CHECKING:
    from studykit.allocation.method import AllocationMethod
    from studykit.allocation.sealed import SealedList
    from studykit.protocol.types import Protocol
    from studykit.study.snapshot import Snapshot

FORMAT = 1
LIST, KEPT, SLIPS = "sealed_list.json", "kept.json", "slips.html"


@dataclass(frozen=True, slots=True)
class SealedFiles:
    """Where an outsider's list was written.

    Parameters
    ----------
    commitment : str
        Code of the list, for the protocol.
    slips : int
    strata : int
    page, published, kept : Path
        The slips to print; the file for the study's folder; what the outsider keeps.
    """

    commitment: str
    slips: int
    strata: int
    page: Path
    published: Path
    kept: Path

    def text(self) -> str:
        """What to do now, for the outsider."""
        return "\n".join(
            (
                f"{self.slips} slips for {self.strata} strata.",
                f"1. Print {self.page} and put each slip into its envelope; how is told on its first page.",
                f"2. Keep {self.kept} to yourself until the last client is enrolled.",
                f"3. Give {self.published} to the study; it belongs into the study's folder.",
                "4. These words go into protocol.toml under [allocation]:",
                f'   sealed_list = "{self.commitment}"',
            )
        )


def seal(now: Snapshot, target: str | Path, *, per_stratum: int | None = None) -> SealedFiles:
    """Draw a list of sealed slips; for an outsider, on a machine that those who enrol do not use.

    Parameters
    ----------
    now : Snapshot
        Its protocol says how; its trainers are those of ``records/trainers``.
    target : path
        A new folder outside the study's folder.
    per_stratum : int, optional
        Slips in each stratum; by default twice the even share of the planned clients, in whole blocks.

    Raises
    ------
    FolderError
        If the folder is in the way, or inside the study's folder.
    DesignError
        If the protocol's method cannot be drawn beforehand.
    """
    from studykit.allocation.bits import fresh_entropy
    from studykit.allocation.sealed import make_list
    from studykit.report.envelope_slips import render_slips

    folder = Path(target)
    if folder.resolve().is_relative_to(now.folder.resolve()):
        raise FolderError(
            where=str(folder), expected="a folder outside the study's folder", got="one inside it",
            todo="Whoever enrols must not see the slips; choose another place, best on another machine.",
        )  # fmt: skip
    protocol = now.protocol
    method = _listed_method(protocol)
    strata = _strata(now, protocol)
    number = per_stratum or _usual_length(protocol, len(strata))
    entropy = fresh_entropy()
    published, slips = make_list(method, [(stratum, number) for stratum in strata], entropy=entropy)
    content = {"format": FORMAT, "commitment": published.commitment, **published.content()}
    kept = {"format": FORMAT, "commitment": published.commitment, "entropy": entropy}
    with made_whole(folder) as making:
        (making / SLIPS).write_text(
            render_slips(slips, protocol, commitment=published.commitment), encoding="utf-8"
        )
        (making / LIST).write_text(json.dumps(content, indent=1), encoding="utf-8")
        (making / KEPT).write_text(json.dumps(kept, indent=1), encoding="utf-8")
    return SealedFiles(
        published.commitment, len(slips), len(strata), folder / SLIPS, folder / LIST, folder / KEPT
    )


def list_of(folder: Path, protocol: Protocol) -> SealedList:
    """The published list that a protocol names, from the study's folder.

    Raises
    ------
    ArgumentError
        If the file is missing, is no list, or is another list than the protocol names.
    DesignError
        If the list was drawn by another method than the protocol's.
    """
    from studykit.allocation.sealed import list_from

    path = folder / LIST
    published = list_from(_read(path, "the file that the outsider gave you"))
    if published.commitment != protocol.sealed_list:
        raise ArgumentError(
            where=str(path), expected=f"the list {protocol.sealed_list[:12]} that the protocol names",
            got=f"the list {published.commitment[:12]}", todo="Ask the outsider which of the two holds.",
        )  # fmt: skip
    if dict(published.drawn_by) != _listed_method(protocol).describe():
        raise DesignError(
            where=str(path), expected="a list drawn by the method, arms and strata of the protocol",
            got="one drawn by others", todo="Let the outsider make a new list from this protocol.",
        )  # fmt: skip
    return published


def kept_entropy(path: Path) -> str:
    """What the outsider made the list from, out of the file that was kept.

    Raises
    ------
    ArgumentError
        If it is another file.
    """
    entropy = _read(path, "the file kept.json of the outsider").get("entropy")
    if not isinstance(entropy, str):
        raise ArgumentError(where=str(path), expected="the file kept.json of the outsider", got="another one")
    return entropy


def _read(path: Path, what: str) -> dict[str, Any]:
    try:
        content = json.loads(path.read_text(encoding="utf-8-sig"))
    except FileNotFoundError:
        raise ArgumentError(
            where=str(path), expected=what, got="no such file", todo=f"Put {path.name} there first."
        ) from None
    except (OSError, ValueError) as error:
        raise ArgumentError(where=str(path), expected=what, got=f"unreadable ({error})") from None
    if not isinstance(content, dict) or content.get("format") != FORMAT:
        raise ArgumentError(where=str(path), expected=what, got="another file, or of a newer studykit")
    return content


def _listed_method(protocol: Protocol) -> AllocationMethod[Any]:
    """The method of a list; refused where an arm depends on the clients before."""
    from studykit.allocation.asked import method_for

    method = method_for(protocol)
    known = ("permuted blocks", "biased coin", "simple")
    if method is None or protocol.allocation.method not in known:
        raise DesignError(
            where="sealed list", expected=f"a method that can be drawn beforehand: {', '.join(known)}",
            got=protocol.allocation.method,
        )  # fmt: skip
    return method


def _strata(now: Snapshot, protocol: Protocol) -> list[dict[str, str]]:
    """Every combination of the strata of the allocation, in the protocol's order."""
    codes = protocol.allocation.strata
    levels = {stratum.code: list(stratum.levels) for stratum in protocol.strata}
    if "trainer" in codes:
        levels["trainer"] = list(dict.fromkeys(map(str, now.records["trainers"].columns["trainer"])))
        if not levels["trainer"]:
            raise ArgumentError(
                where=str(now.folder / RECORDS / "trainers.csv"),
                expected="the trainers, since slips are made for each", got="none",
                todo="Enter them first, or take trainer off the strata.",
            )  # fmt: skip
    return [
        dict(zip(codes, combination, strict=True))
        for combination in itertools.product(*(levels[code] for code in codes))
    ]


def _usual_length(protocol: Protocol, strata: int) -> int:
    """Twice the even share of the planned clients, in whole blocks of the largest size."""
    block = max(getattr(protocol.allocation, "block_sizes", (sum(arm.ratio for arm in protocol.arms),)))
    return int(block * math.ceil(2 * protocol.planning.clients / strata / block))
