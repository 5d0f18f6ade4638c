"""Every way of drawing clients, from the protocol's text to the re-randomisation test."""

from __future__ import annotations

import csv
import datetime as dt
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from studykit.allocation.replay import replay
from studykit.errors import AllocationRefused, DesignError, ProtocolError
from studykit.planning.plan_text import plan_text
from studykit.randomness import stream
from studykit.report.methods_section import allocation_words
from studykit.study import Study
from tests.support.answered import ANSWERED

BLOCKS = 'method = "permuted blocks"\nblock_sizes = [2, 4]\nstrata = ["trainer", "sex"]\n'
METHODS = {
    "permuted blocks": BLOCKS,
    "minimisation": 'method = "minimisation"\nstrata = ["trainer", "sex"]\nweights = [2, 1]\noverall = 1\n'
    'distance = "variance"\nchance = 0.85\n',
    "biased coin": 'method = "biased coin"\nstrata = ["sex"]\nchance = 0.7\n',
    "simple": 'method = "simple"\nstrata = ["trainer", "sex"]\n',
}
CLIENTS = [
    (f"C{number:03d}", ("T1", "T2")[number % 2], ("female", "male")[number // 2 % 2]) for number in range(12)
]


def add_rows(folder: Path, table: str, *rows: dict[str, str]) -> None:
    path = folder / "records" / f"{table}.csv"
    with path.open(encoding="utf-8-sig", newline="") as file:
        heading = next(csv.reader(file))
    with path.open("a", encoding="utf-8", newline="") as file:
        csv.DictWriter(file, heading, lineterminator="\n").writerows(rows)


def today(days: int = 0) -> str:
    return (dt.date.today() + dt.timedelta(days=days)).isoformat()  # noqa: DTZ011 — the studio's day


def strength_rows(study: Study, client: str, *, visit: str, day: str, load: float) -> list[dict[str, str]]:
    return [
        {"client": client, "visit": visit, "date": day, "exercise": exercise.code,
         "load": f"{load * (1 + place / 10):.1f}", "unit": exercise.unit, "repetitions": "10",
         "success": "yes"}
        for place, exercise in enumerate(study.protocol.exercises)
    ]  # fmt: skip


def edit(study: Study, *pairs: tuple[str, str]) -> None:
    """As an owner with a text editor."""
    path = study.folder / "protocol.toml"
    text = path.read_text(encoding="utf-8")
    for old, new in pairs:
        assert text.count(old) >= 1, old
        text = text.replace(old, new, 1)
    path.write_text(text, encoding="utf-8")


def ready_study(folder: Path, section: str) -> Study:
    """A new study with this way of allocating, all its clients ready to be enrolled."""
    study = Study.create(folder)
    edit(study, *ANSWERED, (BLOCKS, section))
    for trainer in ("T1", "T2"):
        add_rows(
            study.folder, "trainers", {"trainer": trainer, "signed_off_on": "2026-01-10", "observer": "OB"}
        )
    for number, (client, trainer, sex) in enumerate(CLIENTS):
        add_rows(
            study.folder, "screening",
            {"client": client, "date": today(-3), "eligible": "yes", "cleared": "yes", "consented": "yes",
             "touch_consented": "yes", "consent_date": today(-3)},
        )  # fmt: skip
        add_rows(study.folder, "clients", {"client": client, "trainer": trainer, "age": "41", "sex": sex})
        load = 60.0 + 3 * (7 * number % 12)
        add_rows(
            study.folder,
            "strength",
            *strength_rows(study, client, visit="baseline", day=today(-2), load=load),
        )
    return study


@pytest.fixture(scope="module", params=METHODS)
def enrolled(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Study:
    study = ready_study(tmp_path_factory.mktemp("methods") / "mine", METHODS[request.param])
    study.lock(by="OW")
    for client, _, _ in CLIENTS:
        study.enrol(client, by="OW")
    return study


def test_every_client_has_one_arm_and_the_audit_repeats_every_draw(enrolled: Study) -> None:
    """E01, E14: what is recorded is enough to draw the same arm again."""
    protocol = enrolled.protocol
    ledger = enrolled.ledger
    assert ledger is not None
    made = ledger.allocations()
    assert [entry.client for entry in made] == [client for client, _, _ in CLIENTS]
    for entry, (_, trainer, sex) in zip(made, CLIENTS, strict=True):
        facts = {"trainer": trainer, "sex": sex}
        assert entry.stratum == {code: facts[code] for code in protocol.allocation.strata}
        assert entry.facts["trainer"] == trainer
        assert entry.method["method"] == protocol.allocation.method
        assert Fraction(entry.probabilities[entry.arm]) > 0
    audit = enrolled.audit()
    assert audit.passed, audit.summary()
    assert audit.findings == ()


def test_the_probabilities_are_those_of_the_protocol(enrolled: Study) -> None:
    """Each method leaves its mark in what the ledger says of the chances."""
    ledger = enrolled.ledger
    assert ledger is not None
    first, *_ = made = ledger.allocations()
    seen = {Fraction(share) for entry in made for share in entry.probabilities.values()}
    assert set(first.probabilities.values()) == {"1/2"}
    allowed = {
        "minimisation": {Fraction(17, 20), Fraction(3, 20), Fraction(1, 2)},
        "biased coin": {Fraction(7, 10), Fraction(3, 10), Fraction(1, 2)},
        "simple": {Fraction(1, 2)},
    }.get(enrolled.protocol.allocation.method)
    if allowed is None:
        assert seen > {Fraction(1, 2)}
    else:
        assert seen <= allowed


def test_nobody_is_drawn_twice(enrolled: Study) -> None:
    with pytest.raises(AllocationRefused, match="expected a client without an arm"):
        enrolled.enrol("C003", by="OW")


def test_a_correction_never_draws_again(enrolled: Study) -> None:
    """E12: a slip is corrected by an entry; the arm and what the draw was told stay."""
    ledger = enrolled.ledger
    assert ledger is not None
    before = {entry.client: entry.arm for entry in ledger.allocations()}
    enrolled.correct("C002", fact="sex", value="female", reason="typing slip", by="OW")
    ledger = enrolled.ledger
    assert ledger is not None
    assert {entry.client: entry.arm for entry in ledger.allocations()} == before
    corrected = next(entry for entry in ledger.allocations() if entry.client == "C002")
    assert corrected.stratum["sex"] == "male"
    assert corrected.true_stratum["sex"] == "female"
    assert enrolled.audit().passed


def test_the_analysis_draws_by_the_same_method(enrolled: Study) -> None:
    """From the owner's side: allocated by a method, analysed by drawing that method again."""
    ledger = enrolled.ledger
    assert ledger is not None
    for number, entry in enumerate(ledger.allocations()):
        load = 60.0 + 3 * (7 * number % 12)
        gain = 1.3 if entry.arm == "partner_reps" else 1.1
        rows = strength_rows(
            enrolled, entry.client, visit="week_12", day=today(84), load=load * gain * (1 + number % 3 / 50)
        )
        add_rows(enrolled.folder, "strength", *rows)
        add_rows(
            enrolled.folder,
            "sessions",
            {"client": entry.client, "date": today(82), "trainer": "T1", "status": "attended"},
        )
    results = enrolled.analyse(look_by="OW", look_reason="to see the whole way", seed=3)
    assert results.randomised
    tests = {item.outcome: item for item in results.rerandomisation}
    found = tests["strength"]
    # Twelve clients: every possible sequence of the method is listed. Where no arm is ever impossible
    # there are 2 ** 12 of them; full blocks leave fewer.
    assert found.exact
    if enrolled.protocol.allocation.method == "permuted blocks":
        assert found.draws < 4096
    else:
        assert found.draws == 4096
    assert 0.0 < found.smallest_p_value <= found.p_value <= 1.0


def test_drawn_again_the_arms_are_as_even_as_the_method_promises(enrolled: Study) -> None:
    """Common sense: simple draws are the least even, and every method gives each client each arm."""
    ledger = enrolled.ledger
    assert ledger is not None
    drawn = replay(ledger.allocations(), replicates=2000, rng=stream(5, "methods")).drawn
    assert np.abs(drawn.mean(axis=0) - 0.5).max() < 0.06  # four standard errors of 2,000 draws
    spread = np.abs(drawn.sum(axis=1) - len(CLIENTS) / 2).mean()
    # A fair coin thrown 12 times is off by 12 C(11, 6) / 2**12 = 1.354 on average (binomial, exact).
    if enrolled.protocol.allocation.method == "simple":
        assert spread == pytest.approx(1.354, abs=0.12)
    else:
        assert spread < 1.1


def test_a_changed_method_waits_for_its_amendment(tmp_path: Path) -> None:
    """E11: the next draw follows the amendment, and the clients before it count in the balance."""
    study = ready_study(tmp_path / "mine", METHODS["simple"])
    study.lock(by="OW")
    for client, _, _ in CLIENTS[:4]:
        study.enrol(client, by="OW")
    edit(study, (METHODS["simple"], METHODS["minimisation"]))
    study.enrol(CLIENTS[4][0], by="OW")  # the file alone changes nothing
    _, changed = study.amend(reason="arms came out uneven", by="OW")
    assert "allocation, method" in changed
    for client, _, _ in CLIENTS[5:8]:
        study.enrol(client, by="OW")
    ledger = study.ledger
    assert ledger is not None
    used = [entry.method["method"] for entry in ledger.allocations()]
    assert used == ["simple"] * 5 + ["minimisation"] * 3
    assert study.audit().passed


def test_unequal_minimisation_is_never_locked(tmp_path: Path) -> None:
    """Refused with the reason, before anything is written."""
    study = ready_study(tmp_path / "mine", METHODS["minimisation"])
    edit(study, ("ratio = 1 ", "ratio = 2 "))
    with pytest.raises(ProtocolError, match="the chance of each arm would change from client to client"):
        study.lock(by="OW")
    assert study.ledger is None


def test_check_and_lock_say_what_the_design_cannot_give(tmp_path: Path) -> None:
    """A13, F08: a training gain in a crossover is warned about; trainers as clusters are told their p."""
    study = Study.create(tmp_path / "crossover", design="crossover")
    edit(study, ('carry_over = "', 'carry_over = "" # "'))
    found = [str(finding) for finding in study.check().findings if finding.severity == "warn"]
    assert any("Gains of the first period last into the second" in text for text in found), found
    with pytest.raises(ProtocolError, match="into the second period"):
        study.lock(by="OW")

    study = Study.create(tmp_path / "clusters")
    edit(study, ("[roles]", '[trainers]\ndeliver = "one arm"\n\n[roles]'), ("trainers = 3", "trainers = 6"))
    found = [str(finding) for finding in study.check().findings]
    assert any("no result can give a p-value below 0.100" in text for text in found), found
    with pytest.raises(ProtocolError, match='write design = "trainers" and method = "trainers together"'):
        study.lock(by="OW")
    assert study.ledger is None


def test_retention_in_a_crossover_is_refused(tmp_path: Path) -> None:
    """A13: the reason is given."""
    study = Study.create(tmp_path / "mine")
    edit(study, ('ready = "parallel"', 'design = "crossover"\nready = "parallel"'))
    with pytest.raises(ProtocolError, match="staying cannot be put down to either"):
        study.plan()


@pytest.mark.parametrize("method", list(METHODS))
def test_the_methods_text_names_the_method(method: str, tmp_path: Path) -> None:
    """A32: method, strata and settings can be taken from the report."""
    study = Study.create(tmp_path / "mine")
    edit(study, (BLOCKS, METHODS[method]))
    words = allocation_words(study.protocol)
    wanted = {
        "permuted blocks": "by permuted blocks of random size (2 or 4) within strata of trainer and sex",
        "minimisation": "by minimisation over trainer (weight 2), sex (weight 1), the whole study (weight 1)",
        "biased coin": "by a biased coin within strata of sex: the arm behind had a chance of 0.7",
        "simple": "by simple draws",
    }[method]
    assert words.startswith(wanted)
    assert f"What drawing clients by {method} promises" in plan_text(study.plan())


def test_an_amendment_keeps_what_clients_have(tmp_path: Path) -> None:
    """A client's arm never vanishes: a design or an arm that somebody has cannot be amended away."""
    study = ready_study(tmp_path / "mine", BLOCKS)
    study.lock(by="OW")
    study.enrol(CLIENTS[0][0], by="OW")
    text = study.read().file.whole
    other = text.replace('"partner_reps"', '"other_reps"').replace('"conventional"', '"other_sets"')
    (study.folder / "protocol.toml").write_text(other, encoding="utf-8")
    with pytest.raises(DesignError, match="a design that keeps what clients have been allocated"):
        study.amend(reason="new names", by="OW")
    assert study.check().needs_attention is False
