"""The command line: parse, run one command, end with one message and an exit code."""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Sequence
from typing import Any

from studykit import __version__, caring, joint, writing
from studykit import commands as c
from studykit import options as o
from studykit.console import plain, safe_output
from studykit.desk.command import desk
from studykit.errors import FindingsError, FolderError, StudykitError


class _Parser(argparse.ArgumentParser):
    """Wrong options end with code 2 and one message that says what to do."""

    def error(self, message: str) -> Any:
        self.exit(c.WRONG, plain(f"{self.prog}: {o.usage_trouble(message)} Try: {self.prog} --help\n"))


_CORRECTION = 'my_study C014 --fact sex --value female --reason "typing slip" --by OW'
_NOTE = 'my_study --what moved --reason "a new computer" --by OW'
_HANDOVER = 'my_study T1 --to T2 --reason "moves away" --by OW'
_WITHDRAW = "my_study C014 --what consent --by OW"
_AUDIT = 'my_study --receipt C014.txt --kept "17 4f2a-91c0-77be"'
_COMMANDS: tuple[tuple[c.Command, str, tuple[Any, ...]], ...] = (
    (desk, "my_study", (o.DESK_STUDY, o.PORT, o.PHONES, o.SHORTCUT, o.NO_BROWSER)),
    (c.demo, "", (o.DEMO_FOLDER,)),
    (c.new, "my_study", (o.FOLDER, o.DESIGN, o.DEFAULTS)),
    (c.plan, "my_study --clients 60 --simulate", (o.STUDY, o.CLIENTS, o.PILOT, *o.SIMULATING)),
    (c.whole, "my_study", (o.STUDY,)),
    (c.papers, "my_study", (o.STUDY,)),
    (c.lock, "my_study --by OW", (o.STUDY, o.BY, o.YES, o.LOCAL)),
    (c.amend, 'my_study --by OW --reason "a second studio joins"', (o.STUDY, o.BY, o.WHY_CHANGED, o.YES)),
    (c.enrol, "my_study C014 --by OW", (o.STUDY, o.CLIENT, o.BY, o.YES, o.SLIP)),
    (c.trainers, "my_study --by OW", (o.STUDY, o.BY, o.YES)),
    (c.note, _NOTE, (o.STUDY, o.WHAT, o.WHY, o.BY, o.OF_CLIENT)),
    (c.seal, "my_study --to ../sealed_slips", (o.STUDY, o.TO, o.SLIPS)),
    (c.correct, _CORRECTION, (o.STUDY, o.CLIENT, o.FACT, o.VALUE, o.WHY_CORRECTED, o.BY)),
    (c.withdraw, _WITHDRAW, (o.STUDY, o.CLIENT, o.TAKEN_BACK, o.SAID_WHY, o.SAID_ON, o.BY, o.YES)),
    (c.handover, _HANDOVER, (o.STUDY, o.LEAVING, o.TAKES_OVER, o.SOME_CLIENTS, o.WHY, o.BY)),
    (c.today, "my_study --by OW", (o.STUDY, o.DATE, o.WHO)),
    (c.sheet, "my_study C014", (o.STUDY, o.EACH_CLIENT, o.DATE, o.TRAINER, o.WHO, o.TEST)),
    (c.check, "my_study", (o.STUDY, o.ORDER)),
    (c.audit, _AUDIT, (o.STUDY, o.RECEIPT, o.KEPT, o.LIST, o.WHO)),
    (c.analyse, "my_study", (o.STUDY, o.LOOK_BY, o.LOOK_REASON, o.YES)),
    (c.report, "my_study --write-up", (o.STUDY, o.WRITE_UP, o.LOOK_BY, o.LOOK_REASON, o.YES)),
    (c.keys, "harms", (o.PART,)),
    (c.tables, "sessions", (o.PART,)),
    (c.lookback, "export.csv --column client=Member --date-order day", o.LOOK_BACK),
    *caring.COMMANDS,
    *joint.COMMANDS,
    *writing.COMMANDS,
)


def _parser() -> argparse.ArgumentParser:
    parser = _Parser(
        prog="studykit",
        description="Plan, allocate, run, analyse and report a fair studio comparison of conventional sets "
        "with and without partner-resisted reps.",
        epilog="Start with: studykit demo. Each command explains itself: studykit plan --help",
    )
    parser.add_argument("--version", action="version", version=f"studykit {__version__}")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", required=True, parser_class=_Parser)
    for run, example, options in _COMMANDS:
        name, text = run.__name__.replace("_", "-"), (run.__doc__ or "").strip()
        example = f"Example: studykit {name} {example}".rstrip()
        entry = commands.add_parser(name, help=text, description=text, epilog=example)
        entry.set_defaults(run=run, refuse=entry.error)
        for words, settings in (*options, o.JSON):
            entry.add_argument(*words, **settings)
        entry.set_defaults(
            known=[word for words, _ in (*options, o.JSON) for word in words if word[0] == "-"]
        )
    return parser


def _unexpected(error: Exception) -> str:
    """One message for a mistake of our own; the details are shown only to those who ask for them."""
    return (
        f"a mistake inside studykit ({type(error).__name__}: {error}). What was saved before is untouched. "
        "Please tell its contributors; STUDYKIT_DEBUG=1 shows where it happened."
    )


def main(words: Sequence[str] | None = None) -> int:
    """Run one command; every expected trouble ends in one message and code 2."""
    os.environ.setdefault("MPLBACKEND", "Agg")
    # A study's matrices are small: a second thread of the linear algebra, loaded later, only waits and warms.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    with safe_output():
        arguments, unknown = _parser().parse_known_args(words)
        if unknown:  # the command itself says so, since its own help is the one to read
            arguments.refuse(o.unknown_trouble(unknown, arguments.known))
        try:
            if getattr(arguments, "by", "") is None:
                arguments.by = c.own_code(arguments)
            return int(arguments.run(arguments))
        except FindingsError as error:
            c.complain(c.findings_text(error.findings))
            return c.WRONG
        except StudykitError as error:
            place = f"{arguments.command}: "  # said once, where the message begins with it too
            c.complain(f"studykit {place}{str(error).removeprefix(place)}")
            return c.WRONG
        except BrokenPipeError:
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
            return c.DONE
        except OSError as error:
            trouble = FolderError(
                where=str(error.filename or "file system"),
                expected="a path to read and write",
                got=error.strerror or type(error).__name__,
                todo="Nothing was lost. Put it right and try again.",
            )
            c.complain(f"studykit {arguments.command}: {trouble}")
            return c.WRONG
        except Exception as error:
            if os.environ.get("STUDYKIT_DEBUG"):
                raise
            c.complain(f"studykit {arguments.command}: {_unexpected(error)}")
            return c.WRONG
        except KeyboardInterrupt:
            print("\nstopped by the keyboard; nothing was left half written", file=sys.stderr)
            return c.WRONG


if __name__ == "__main__":
    sys.exit(main())
