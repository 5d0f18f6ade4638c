"""Commands for what clients were promised about their data: an anonymised copy."""

from __future__ import annotations

import argparse
from dataclasses import replace
from pathlib import Path

from studykit import commands as c
from studykit import options as o


def anonymise(arguments: argparse.Namespace) -> int:
    """Write an anonymised copy, or a whole thesis pack: what is rare in it is told first, then asked."""
    from studykit.results import to_plain
    from studykit.study import Study
    from studykit.study.anonymising import anonymous_copy, write_copy
    from studykit.study.folder import need_free
    from studykit.study.thesis_pack import thesis_pack

    need_free(arguments.to)
    study = Study.open(arguments.study)
    if arguments.thesis:
        copy = thesis_pack(study, by=arguments.by)
    else:
        copy = anonymous_copy(study.read(), by=arguments.by)
    if not arguments.json:
        c.say(copy.text())
    if not c.agreed(arguments, "a yes to what is told above", "Write the copy now?"):
        c.say("Nothing was written.")
        return c.DONE
    trouble = write_copy(copy, arguments.to)
    told = {"folder": str(arguments.to), **to_plain(replace(copy, files={})), "trouble": trouble}
    then = f"It can be analysed in the ordinary way: studykit report {arguments.to}"
    if trouble:
        then = f"It cannot be analysed as it stands: {trouble}"
    if arguments.thesis:
        then = f"{then}\nWhat is in it: {arguments.to / 'READ_ME.txt'}. Run it again: python rerun.py"
    c.show(arguments, told, f"Anonymised copy of {copy.clients} clients: {arguments.to}\n{then}")
    return c.ATTENTION if trouble else c.DONE


_TO = o.option("--to", required=True, type=Path, metavar="FOLDER", help="a new folder for the copy")
_THESIS = o.option(
    "--thesis",
    action="store_true",
    help="with a dictionary, code that reruns, versions, deviations, manifest",
)
COMMANDS = ((anonymise, "my_study --to ../copy --by OW", (o.STUDY, _TO, o.BY, _THESIS, o.YES)),)
