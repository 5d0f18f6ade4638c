"""Commands: call the study, print, give an exit code.

0 done · 1 the study needs attention · 2 wrong input. Heavy libraries are imported inside the
commands, so that ``studykit --help`` answers at once.
"""

from __future__ import annotations

import argparse
import json
import shlex
import sys
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from studykit.console import Progress, TrialProgress, ask, confirm, is_interactive, plain
from studykit.errors import ArgumentError, Finding, grouped
from studykit.options import look_back_wish
from studykit.shipped import shipped_page
from studykit.unseen import visible

if TYPE_CHECKING:
    from studykit.outcomes.results import StudyResults
    from studykit.planning.plan import Plan
    from studykit.protocol.first_questions import Question
    from studykit.protocol.types import Protocol
    from studykit.study import Study
    from studykit.study.snapshot import Snapshot

DONE, ATTENTION, WRONG = 0, 1, 2

Command = Callable[[argparse.Namespace], int]


def say(text: str = "") -> None:
    """Print for people, in letters that this terminal has."""
    print(plain(text, encoding=sys.stdout.encoding or "ascii"))


def complain(text: str) -> None:
    """The same beside the answer, on standard error."""
    print(plain(text, encoding=sys.stderr.encoding or "ascii"), file=sys.stderr)


def show(arguments: argparse.Namespace, value: Any, text: str) -> None:
    """Print the answer: text for people, JSON for programs."""
    if arguments.json:
        from studykit.results import to_plain

        level = getattr(value, "confidence_level", 0.95)  # results come at the protocol's level
        print(visible(json.dumps(to_plain(value, confidence_level=level), indent=2, ensure_ascii=False)))
    else:
        say(text)


def findings_text(findings: Sequence[Finding], *, most: int = 10) -> str:
    """Findings, the gravest first; ten, then a count."""
    order = {"stop": 0, "warn": 1, "note": 2}
    ranked = sorted(grouped(findings), key=lambda finding: order[finding.severity])
    lines = [f"  {finding.severity:<4}  {finding}" for finding in ranked[:most]]
    if len(ranked) > most:
        lines.append(f"  ... and {len(ranked) - most} more")
    return "\n".join(lines)


def _hand_out(folder: Path, arguments: argparse.Namespace, value: Any, *kinds: str) -> int:
    """Print what the last act of these kinds hands out, of one client where the command names one."""
    from studykit.study.receipts import keep_receipts, told_of
    from studykit.study.snapshot import read_study

    entries = read_study(folder)[0].entries
    if trouble := keep_receipts(folder, entries):
        complain(trouble)
    client = getattr(arguments, "client", "").strip().casefold()
    told = [
        entry
        for entry in entries
        if entry.kind in kinds and (not client or entry.body["client"].casefold() == client)
    ]
    show(arguments, value, told_of(told[-1]))
    return DONE


def agreed(arguments: argparse.Namespace, expected: str, question: str) -> bool:
    """A yes to what cannot be undone: by ``--yes``, or from the keyboard; refused where nobody sits there."""
    if arguments.yes:
        return True
    if not is_interactive():
        raise ArgumentError(
            where=arguments.command, expected=expected, got="no terminal to ask in",
            todo="Run it in a terminal, or add --yes once everything above is right.",
        )  # fmt: skip
    return confirm(question)


def _open(arguments: argparse.Namespace) -> Study:
    from studykit.study import Study

    return Study.open(arguments.study)


def own_code(arguments: argparse.Namespace) -> str:
    """Who acts, asked from the roles that there are."""
    from studykit.study.rights import codes_of_roles

    codes = codes_of_roles(_open(arguments).protocol)
    if is_interactive() and not arguments.json:
        return ask("Your code, as in the protocol's roles", choices=codes)
    raise ArgumentError(
        where=arguments.command, expected="your code, with --by", got="none",
        todo=f"Add --by CODE; the protocol's roles have {', '.join(codes) or 'no code yet'}.",
    )  # fmt: skip


# --- commands ------------------------------------------------------------------------------------


def demo(arguments: argparse.Namespace) -> int:
    """Take the demo study through every stage."""
    progress = Progress(6)
    progress.step("copying the demo study")
    from studykit.study import Study

    study, copied = Study.demo(arguments.folder)
    if not copied:
        say(f"{study.folder} holds the demo study already; its results are made anew.")
    progress.step("planning")
    plan = study.plan()
    study.save_plan(plan)
    progress.step("checking the records")
    check = study.check()
    progress.step("verifying the ledger")
    audit = study.audit()
    progress.step("analysing")
    results = study.analyse()
    progress.step("writing the report")
    report = study.save(results)
    from studykit.report.text import summary

    if arguments.json:
        answer = {
            "plan": plan,
            "findings": check.findings,
            "ledger_intact": audit.passed,
            "results": results,
            "report": str(report),
        }
        show(arguments, answer, "")
    else:
        say("Planned: " + plan.in_short.means)
        say(f"Records: {check.headline}")
        say(f"Ledger: {audit.summary().splitlines()[0]}")
        say()
        say(summary(results))
        say()
        say(f"Report: {report}")
    return DONE


def new(arguments: argparse.Namespace) -> int:
    """Make a study from a ready protocol."""
    from studykit.study import Study, questions
    from studykit.study.folder import before_questions, keep_answers, kept_answers

    answers: dict[str, str] = {}
    asked = questions(arguments.design)
    if is_interactive() and not arguments.defaults:
        kept = kept_answers(arguments.folder)  # a taken place is refused before a dozen questions
        asked = questions(arguments.design, kept)
        say(before_questions(kept))
        for question in asked:
            answers[question.key] = _answer(question, arguments.design, answers)
            keep_answers(arguments.folder, {**kept, **answers})
    study, findings = Study.start(arguments.folder, design=arguments.design, answers=answers)
    keep_answers(arguments.folder, {})
    lines = [f"Made {study.folder} with protocol.toml and empty record tables."]
    if not answers:
        lines.append("No questions were asked; these answers were taken:")
        lines += [f"  {question.wording}: {question.default or 'none'}" for question in asked]
    lines += [findings_text(findings)] if findings else []
    lines.append(f"Next: read {study.folder / 'protocol.toml'} and change what differs.")
    lines.append(f"Then: studykit plan {shlex.quote(str(study.folder))}")
    show(arguments, {"study": str(study.folder), "findings": findings}, "\n".join(lines))
    return DONE


def _answer(question: Question, design: str, before: Mapping[str, str]) -> str:
    """An answer that can be used: what cannot is said at once and asked again, so that none is lost."""
    from studykit.study.folder import filled_in

    while True:
        answer = ask(question.wording, default=question.default, choices=question.choices)
        try:
            question.read(answer)
            filled_in(design, {**before, question.key: answer})
        except ArgumentError as wrong:
            say(f"Please try again: expected {wrong.expected}; found {wrong.got}.")
        else:
            return answer


def plan(arguments: argparse.Namespace) -> int:
    """What the study can and cannot tell."""
    from studykit.planning.plan_text import plan_text
    from studykit.study.checking import file_findings

    study = _open(arguments)
    for finding in file_findings(
        study.read()
    ):  # whoever changed the file must not take the answer for its own
        complain(str(finding))
    result = study.plan(clients=arguments.clients, pilot=arguments.pilot, from_records=arguments.from_records)
    if not arguments.json:  # the answer first: drawing the page takes longer than finding it
        say(f"{plan_text(result)}\n")
        sys.stdout.flush()
    page, text = study.save_plan(result), ""
    if arguments.simulate:  # the quick page stands already, whatever becomes of the long one
        result, text = _tried_out(study, result, arguments)
        page = study.save_plan(result)
    show(arguments, result, f"{text}\n\nPage: {page}".lstrip())
    return DONE


def _tried_out(study: Study, result: Plan, arguments: argparse.Namespace) -> tuple[Plan, str]:
    """The plan with simulated studies, and what they say."""
    from studykit.planning.simulated_plan import IN_BRACKETS, simulation_sentences

    found = study.simulate(
        result,
        trials=arguments.trials,
        seed=arguments.seed,
        workers=arguments.workers,
        stage=TrialProgress().stage,
    )
    assert found.simulated is not None
    lines = simulation_sentences(found.simulated, study.protocol)
    told = ["Tried out: the study simulated", *(f"- {line}" for line in lines), IN_BRACKETS]
    return found, "\n".join(told)


def whole(arguments: argparse.Namespace) -> int:
    """Print the whole protocol: your entries, and the ready ones where you wrote none."""
    read = _open(arguments).read().read
    show(arguments, read.content, read.whole.rstrip())
    return DONE


def lock(arguments: argparse.Namespace) -> int:
    """Decide the protocol."""
    from studykit.study.locking import protocol_to_lock, read_back

    study = _open(arguments)
    now, local = study.read(), arguments.folder_is_local
    # What stands against it is said before anything is asked, then what is decided for good.
    protocol_to_lock(now, by=arguments.by, folder_is_local=local)
    lines, findings = read_back(now)
    if not arguments.json:
        say("\n".join(("What the lock decides for good:", *(f"  {line}" for line in lines))))
        say(findings_text(findings, most=len(findings)))
    question = "After the lock every change is an amendment with a reason. Lock the protocol now?"
    if not agreed(arguments, "a yes: after the lock every change is an amendment", question):
        say("Nothing was locked.")
        return DONE
    return _hand_out(study.folder, arguments, study.lock(by=arguments.by, folder_is_local=local), "lock")


def papers(arguments: argparse.Namespace) -> int:
    """Write the papers for before the first client: readable protocol, consent, forms, privacy."""
    from studykit.study.papers import write_papers

    written = write_papers(_open(arguments).read())
    show(arguments, written, written.text())
    return DONE


def amend(arguments: argparse.Namespace) -> int:
    """Record a changed protocol: what it changes, and for whom, is said before it is asked."""
    from studykit.study.locking import amendment_to_make

    study = _open(arguments)
    effects = amendment_to_make(study.read(), by=arguments.by)
    if effects.changed:
        if not arguments.json:
            say(effects.text())
        question = "The change is recorded for good, with your reason. Amend the protocol now?"
        if not agreed(arguments, "a yes to the changes above", question):
            say("Nothing was amended.")
            return DONE
    locked, changed = study.amend(reason=arguments.reason, by=arguments.by)
    return _hand_out(study.folder, arguments, {"locked": locked, "changed": changed}, "amendment")


def enrol(arguments: argparse.Namespace) -> int:
    """Draw one client's arm; of a client who has one, show the receipt again."""
    from studykit.study.enrolling import drawn_before, enrolment, need_ready
    from studykit.study.snapshot import read_locked

    study = _open(arguments)
    now, ledger = read_locked(study.folder)
    before = drawn_before(now, arguments.client, by=arguments.by)
    if before is not None:
        complain(f"Nothing was drawn: {before.client} has an arm already. This is the receipt again.")
        return _hand_out(study.folder, arguments, before, "allocation")
    if not arguments.slip:
        facts = enrolment(now, arguments.client)
        if not arguments.json:
            say(facts.text())
        need_ready(
            now, ledger, facts, by=arguments.by
        )  # what stands against it is said before anything is asked
        question = "Are these facts right? The draw cannot be undone. Draw now?"
        if not agreed(arguments, "a yes to the facts above", question):
            say("Nothing was drawn.")
            return DONE
    if now.protocol.sealed_list:
        return _enrol_by_slip(study, arguments)
    return _hand_out(study.folder, arguments, study.enrol(arguments.client, by=arguments.by), "allocation")


def _enrol_by_slip(study: Study, arguments: argparse.Namespace) -> int:
    """Call the client's slip, and record its word once the envelope is open."""
    if arguments.slip:  # the envelope is open: what it says is recorded, whatever has come up since the call
        receipt = study.open_slip(arguments.client, word=arguments.slip, by=arguments.by)
        return _hand_out(study.folder, arguments, receipt, "allocation")
    called = study.call_slip(arguments.client, by=arguments.by)
    if not is_interactive() or arguments.json:
        folder = shlex.quote(str(arguments.study))
        then = f"Then: studykit enrol {folder} {called.client} --by {arguments.by} --slip WORD"
        show(arguments, called, f"{called.text()}\n{then}")
        return DONE
    say(called.text())
    word = ask("The word printed on the slip")
    receipt = study.open_slip(called.client, word=word, by=arguments.by)
    return _hand_out(study.folder, arguments, receipt, "allocation")


def trainers(arguments: argparse.Namespace) -> int:
    """Draw the arms of all trainers, in one recorded act; where they have arms, show these again."""
    from studykit.study.enrolling import need_ready_to_split, trainers_drawn_before, trainers_to_draw
    from studykit.study.snapshot import read_locked

    study = _open(arguments)
    now, ledger = read_locked(study.folder)
    before = trainers_drawn_before(now, by=arguments.by)
    if before is not None:
        complain("Nothing was drawn: the trainers have their arms already. These are the arms again.")
        return _hand_out(study.folder, arguments, before, "split")
    ready = trainers_to_draw(now)
    if not arguments.json:
        say(ready.text())
    need_ready_to_split(now, ledger, by=arguments.by)
    question = "Are these all the trainers, and the numbers right? The draw cannot be undone. Draw now?"
    if not agreed(arguments, "a yes to the trainers above", question):
        say("Nothing was drawn.")
        return DONE
    return _hand_out(study.folder, arguments, study.allocate_trainers(by=arguments.by), "split")


def note(arguments: argparse.Namespace) -> int:
    """Write into the ledger: a move to this machine, a wrong clock, an unblinding, a data lock, a remark."""
    from studykit.study.entering import note as write
    from studykit.study.snapshot import read_locked

    noted = write(
        *read_locked(_open(arguments).folder), arguments.what, reason=arguments.reason, by=arguments.by,
        client=arguments.client_code,
    )  # fmt: skip
    show(arguments, noted, noted.text())
    return DONE


def handover(arguments: argparse.Namespace) -> int:
    """A trainer leaves: write who takes the clients over; sheets follow, the analysis does not."""
    from studykit.study.entering import handover as write
    from studykit.study.snapshot import read_locked

    now, ledger = read_locked(_open(arguments).folder)
    noted = write(
        now, ledger, arguments.trainer, to=arguments.to_trainer, reason=arguments.reason, by=arguments.by,
        clients=arguments.of_clients,
    )  # fmt: skip
    show(arguments, noted, noted.text())
    return DONE


def withdraw(arguments: argparse.Namespace) -> int:
    """A client takes back touch, consent or data: sheets and calls stop, the analysis says what it uses."""
    from studykit.study import entering
    from studykit.study.snapshot import read_locked

    now, ledger = read_locked(_open(arguments).folder)
    facts = {"what": arguments.what, "by": arguments.by, "day": arguments.date}
    client, day = entering.need_withdrawal(now, arguments.client, **facts)
    if not (arguments.json or arguments.yes):
        say(entering.withdrawal_words(arguments.what, client.client, day))
    if not agreed(arguments, "a yes to the words above", "Is this what the client asked for?"):
        say("Nothing was written.")
        return DONE
    noted = entering.withdraw(now, ledger, client.client, reason=arguments.reason, **facts)
    show(arguments, noted, noted.text())
    return DONE


def today(arguments: argparse.Namespace) -> int:
    """Everything to see to today by name of code, and all session sheets of the day in one file."""
    from studykit.study.todays import write_today

    written = write_today(_open(arguments).read(), by=arguments.by, today=arguments.date)
    show(arguments, written.plain(), written.text())
    return DONE


def seal(arguments: argparse.Namespace) -> int:
    """For an outsider: draw a list of sealed slips, to be printed and opened one by one."""
    from studykit.study.sealing import seal as made

    files = made(_open(arguments).read(), arguments.to, per_stratum=arguments.slips)
    show(arguments, files, files.text())
    return DONE


def correct(arguments: argparse.Namespace) -> int:
    """Correct a mistyped fact of an allocated client; the arm stays."""
    study = _open(arguments)
    entry = study.correct(
        arguments.client, fact=arguments.fact, value=arguments.value, reason=arguments.reason, by=arguments.by
    )
    show(arguments, entry, f"Corrected at ledger position {entry.position}; the arm stays as it was drawn.")
    return DONE


def check(arguments: argparse.Namespace) -> int:
    """Look for trouble in the protocol and the records; never shows results by arm."""
    study = _open(arguments)
    result, order = study.check(), arguments.date_order
    if not order and is_interactive() and not arguments.json and result.asks_date_order:
        choices = ("day", "month")
        order = ask("Dates such as 03/04/2026 are in the records. Which comes first", choices=choices)
    if order:
        from studykit.records.reading import say_date_order
        from studykit.study.snapshot import RECORDS

        say_date_order(study.folder / RECORDS, order)
        result = study.check()
    text = "\n".join(part for part in (result.text(), findings_text(result.findings, most=30)) if part)
    show(arguments, result, text)
    return ATTENTION if result.needs_attention else DONE


def audit(arguments: argparse.Namespace) -> int:
    """Verify the ledger and repeat every draw."""
    from studykit.allocation.audit_result import Anchor
    from studykit.study.sealing import kept_entropy
    from studykit.study.traces import Kept, read_kept

    kept = Kept(anchors=tuple(map(Anchor.read, arguments.kept)))
    for path in arguments.receipt:
        kept = kept.and_also(read_kept(path))
    entropy = kept_entropy(arguments.list) if arguments.list else ""
    study = _open(arguments)
    result = study.audit(receipts=kept.receipts, anchors=kept.anchors, list_entropy=entropy, by=arguments.by)
    show(arguments, result, result.summary())
    return DONE if result.passed else ATTENTION


def sheet(arguments: argparse.Namespace) -> int:
    """Write a client's session sheet for today and the page to take home, or the tester's sheet."""
    from studykit.study.session_sheets import write_sheet, write_tester_sheet

    now, day = _open(arguments).read(), arguments.date
    clients = tuple(dict.fromkeys(arguments.client))
    if arguments.test:
        who = {"by": arguments.by, "trainer": arguments.trainer}
        tests = [write_tester_sheet(now, client, today=day, **who) for client in clients]
        texts = [f"{one.day.summary()}\n\nSheet for the tester: {one.path}" for one in tests]
        answers = [one.plain() for one in tests]
        done = all(one.day.ready and one.day.in_window for one in tests)
    else:
        sheets = [
            write_sheet(now, one, today=day, trainer=arguments.trainer, by=arguments.by) for one in clients
        ]
        texts = [
            f"{one.plan.summary()}\n\nSheet: {one.path}\nTo take home: {one.take_home}" for one in sheets
        ]
        answers = [one.plain() for one in sheets]
        done = not any(one.plan.needs_attention for one in sheets)
    show(arguments, answers[0] if len(answers) == 1 else {"sheets": answers}, "\n\n".join(texts))
    return DONE if done else ATTENTION


def _analysed(study: Study, arguments: argparse.Namespace) -> tuple[StudyResults, Protocol]:
    """Results of the study as it stands now, and the protocol they follow."""
    from studykit.study.analysing import analyse as analysed
    from studykit.study.snapshot import read_study

    now, ledger = read_study(study.folder)
    by, reason = _look(now, arguments)
    return analysed(now, ledger, look_by=by, look_reason=reason), now.protocol


def _look(now: Snapshot, arguments: argparse.Namespace) -> tuple[str, str]:
    """Ask before results by arm are seen early; the look is logged."""
    from studykit.study.analysing import look_question
    from studykit.study.rights import codes_of_roles

    question = look_question(now)
    if not question:
        return "", ""
    by, reason = arguments.look_by, arguments.look_reason
    if not (by and reason) and not is_interactive():
        raise ArgumentError(
            where=arguments.command,
            expected="--look-by CODE and --look-reason TEXT before the planned end",
            got="neither",
            todo="Wait for the end, or give both; the look is logged.",
        )
    complain(question)
    if not agreed(arguments, "a yes to an early look", "Look all the same?"):
        raise ArgumentError(
            where=arguments.command, expected="a yes", got="no", todo="Nothing was looked at."
        )
    by = by or ask("Your code", choices=codes_of_roles(now.protocol, "look"))
    return by, reason or ask("Reason")


def analyse(arguments: argparse.Namespace) -> int:
    """Analyse and print; nothing is saved."""
    from studykit.report.text import summary

    results, protocol = _analysed(_open(arguments), arguments)
    show(arguments, results, summary(results, protocol=protocol))
    return DONE


def report(arguments: argparse.Namespace) -> int:
    """Analyse and write the report."""
    from studykit.report.text import summary

    study = _open(arguments)
    progress = Progress(2)
    progress.step("analysing")
    results, protocol = _analysed(study, arguments)
    progress.step("writing the report")
    page = study.save(results)
    answer, text = {"report": str(page)}, f"{summary(results, protocol=protocol)}\n\nReport: {page}"
    if arguments.write_up:
        answer["write_up"] = document = str(study.write_up(results))
        text += f"\nManuscript, with its tables and figures beside it: {document}"
    show(arguments, answer, text)
    return DONE


class _Keyboard:
    """Questions of a command to whoever sits at the terminal."""

    say = staticmethod(say)
    confirm = staticmethod(confirm)
    ask = staticmethod(ask)


def lookback(arguments: argparse.Namespace) -> int:
    """Look back at attendance records: how staying and partner reps went together, without a trial."""
    from studykit.lookback.answer_sentences import lead_answer, summary
    from studykit.study.looking_back import look_back_from

    wish = look_back_wish(arguments)
    asking = _Keyboard() if is_interactive() and not arguments.json else None
    done = look_back_from(wish, asking=asking, step=Progress(2 if asking else 3).step)
    for notice in done.notices:
        complain(notice)
    lines = [summary(done.look), ""]
    if done.findings:
        lines += ["Noticed in the records.", findings_text(done.findings), ""]
    lines += [f"Page: {done.page}"]
    if done.tally_sheet is not None:
        lines += [f"To record partner reps from now on, print: {done.tally_sheet}"]
        if lead_answer(done.look) is None:
            lines.append(
                "Is it known from which day each trainer worked with partner reps? Say so: "
                "--adopted TRAINER=DATE or --adopted TRAINER=never."
            )
    show(arguments, done.plain(), "\n".join(lines))
    return ATTENTION if done.needs_attention else DONE


def keys(arguments: argparse.Namespace) -> int:
    """Print what every entry of protocol.toml may hold, or those of one part."""
    return _show_page(arguments, "protocols", "KEYS.md")


def tables(arguments: argparse.Namespace) -> int:
    """Print what every column of the record tables holds, or those of one table."""
    return _show_page(arguments, "synthetic_data", "TABLES.md")


def _show_page(arguments: argparse.Namespace, folder: str, name: str) -> int:
    text = shipped_page(folder, name, part=arguments.part)
    show(arguments, {"page": text}, text.rstrip())
    return DONE
