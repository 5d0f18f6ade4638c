"""Trainers as clusters: from a ready protocol to the report, by commands and by simulation."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from studykit.allocation.audit import audit
from studykit.errors import AllocationRefused
from studykit.kinds.continuous.rerandomisation import rerandomise
from studykit.outcomes.rerandomisation import RedrawnArms
from studykit.protocol.types import Protocol
from studykit.study import Study
from studykit.trial.settings import TrialSettings
from synthetic_data.simulated_trial import simulate_trial
from tests.pipeline.simulated_study import add_columns, ready_protocol, trainers_study
from tests.pipeline.test_methods import add_rows, edit, strength_rows, today
from tests.support.answered import answer

Run = Callable[..., tuple[int, str, str]]
TRAINERS = tuple(f"T{number:02d}" for number in range(1, 9))
NUMBERS = {
    code: {"years_as_trainer": float(place), "clients_now": float(place * 5 % 7)}
    for place, code in enumerate(TRAINERS)
}


@pytest.fixture
def mine(tmp_path: Path, run: Run) -> Path:
    """A new study of trainers, with its trainers and the numbers that are balanced."""
    folder = tmp_path / "mine"
    code, _, err = run("new", folder, "--design", "trainers", "--defaults")
    assert code == 0, err
    answer(folder)
    path = folder / "records" / "trainers.csv"
    heading, example = path.read_text(encoding="utf-8-sig").splitlines()
    assert heading.endswith(",years_as_trainer,clients_now")
    path.write_text(f"{heading}\n{example}\n", encoding="utf-8")
    for code_, own in NUMBERS.items():
        numbers = {name: f"{value:g}" for name, value in own.items()}
        add_rows(folder, "trainers", {"trainer": code_, "signed_off_on": "2026-01-10", **numbers})
    return folder


def list_clients(folder: Path, per_trainer: int = 2) -> list[tuple[str, str]]:
    found = [(f"C{row:02d}{turn}", code) for row, code in enumerate(TRAINERS) for turn in range(per_trainer)]
    study = Study.open(folder)
    for client, trainer in found:
        add_rows(folder, "screening", {
            "client": client, "date": today(-3), "eligible": "yes", "cleared": "yes", "consented": "yes",
            "touch_consented": "yes", "consent_date": today(-3)})  # fmt: skip
        add_rows(folder, "clients", {"client": client, "trainer": trainer, "age": "40", "sex": "female"})
        add_rows(
            folder, "strength", *strength_rows(study, client, visit="baseline", day=today(-2), load=60.0)
        )
    return found


def test_the_whole_way_of_an_owner(mine: Path, run: Run) -> None:
    """E08, E10: one recorded act before the first client; then every client goes with the trainer."""
    assert run("check", mine)[0] == 0
    assert run("plan", mine)[0] == 0
    assert run("lock", mine, "--by", "OW", "--yes")[0] == 0
    code, _, err = run("trainers", mine, "--by", "OW", "--yes")
    assert code == 2
    assert "clients of every trainer, listed before the trainers are drawn; found none of T01, T02" in err
    clients = list_clients(mine)
    code, _, err = run("enrol", mine, clients[0][0], "--by", "OW", "--yes")
    assert code == 2
    assert "expected trainers who have been drawn; found none yet" in err
    code, out, err = run("trainers", mine, "--by", "OW")
    assert code == 2
    assert "T03: years as trainer 2, clients now 3, 2 clients listed" in out
    assert "no terminal to ask in" in err
    code, out, err = run("trainers", mine, "--by", "OW", "--yes")
    assert code == 0, err
    assert "Looked at: all of 35 ways to divide the trainers" in out
    assert "they show later that nothing before them was changed" in out
    body = Study.open(mine).ledger.entries()[-1].body
    assert (body["possible"], body["considered"], body["kept"] % 2) == (35, 35, 0)
    assert 0 <= body["index"] < body["kept"]
    assert body["units"]["T03"] == NUMBERS["T03"]
    code, again, err = run("trainers", mine, "--by", "OW")
    assert code == 0
    assert "Nothing was drawn: the trainers have their arms already." in err
    assert out.endswith(again), "what was handed out, had again"
    assert (mine / "results" / "receipts" / "entry_0003.txt").read_text(encoding="utf-8") == again
    with pytest.raises(AllocationRefused, match="It is one act; nobody is drawn twice"):
        Study.open(mine).allocate_trainers(by="OW")
    for client, trainer in clients:
        code, out, err = run("enrol", mine, client, "--by", "OW", "--yes")
        assert code == 0, err
        assert f"arm:    {body['arm_of'][trainer]}\n" in out
    code, out, _ = run("audit", mine)
    assert code == 0, out
    assert "The trainers' arms were drawn together and can be drawn again" in out
    code, out, err = run("sheet", mine, clients[0][0])
    assert code in (0, 1), err
    assert f": {Study.open(mine).protocol.arm(body['arm_of']['T01']).name}\n" in out


def test_what_is_missing_of_a_trainer_is_named(mine: Path, run: Run) -> None:
    list_clients(mine)
    path = mine / "records" / "trainers.csv"
    path.write_text(path.read_text(encoding="utf-8").replace(",2,3", ",,3"), encoding="utf-8")
    assert run("lock", mine, "--by", "OW", "--yes")[0] == 0
    code, _, err = run("trainers", mine, "--by", "OW", "--yes")
    assert code == 2
    assert "every number that the draw balances; found nothing for years_as_trainer of T03" in err


@pytest.mark.parametrize(("trainer", "told"), [("T99", "C999 (T99)"), ("", "C999 (no trainer)")])
def test_a_listed_client_of_nobody_who_is_drawn(mine: Path, run: Run, trainer: str, told: str) -> None:
    list_clients(mine)
    add_rows(mine, "clients", {"client": "C999", "trainer": trainer, "age": "40", "sex": "female"})
    assert run("lock", mine, "--by", "OW", "--yes")[0] == 0
    code, out, err = run("trainers", mine, "--by", "OW")
    assert code == 2
    assert f"expected a trainer of records/trainers with every listed client; found {told}" in err
    assert "Draw now" not in out


def test_clients_are_not_drawn_where_trainers_are_and_the_other_way_round(mine: Path, run: Run) -> None:
    folder = mine.parent / "parallel"
    assert run("new", folder, "--defaults")[0] == 0
    answer(folder)
    assert run("lock", folder, "--by", "OW", "--yes")[0] == 0
    code, _, err = run("trainers", folder, "--by", "OW", "--yes")
    assert code == 2
    assert "Here clients are drawn: enrol them" in err
    text = (mine / "protocol.toml").read_text(encoding="utf-8")
    wrong = text.replace('method = "trainers together"', 'method = "simple"').replace("covariates", "# ")
    wrong = "\n".join(
        line for line in wrong.splitlines() if not line.startswith(("weights", "kept_", "clients_l"))
    )
    (mine / "protocol.toml").write_text(wrong, encoding="utf-8")
    code, _, err = run("lock", mine, "--by", "OW", "--yes")
    assert code == 2
    assert 'write design = "trainers" and method = "trainers together"' in err


@pytest.mark.parametrize(
    ("trainers", "said"),
    [("2", "at least 4, two for each arm; found 2"), ("6", "no result can give a p-value below 0.100")],
)
def test_few_trainers_are_told_beforehand(mine: Path, run: Run, trainers: str, said: str) -> None:
    """F08: 3 against 3 can give no less than 0.10; one trainer in each arm is refused."""
    edit(Study.open(mine), ("trainers = 12 ", f"trainers = {trainers} "))
    code, out, _ = run("check", mine)
    assert said in out
    assert code == (1 if trainers == "2" else 0)


@pytest.fixture(scope="module")
def simulated(tmp_path_factory: pytest.TempPathFactory) -> Study:
    read = ready_protocol("trainers")
    settings = TrialSettings.from_protocol(read.protocol)
    return trainers_study(tmp_path_factory.mktemp("trainers") / "study", read, settings, seed=5)


def test_it_is_analysed_with_trainers_as_clusters(simulated: Study) -> None:
    """B and E of the standards: the units of allocation are the units of analysis."""
    results = simulated.analyse()
    assert results.randomised
    assert results.retention is not None
    assert "t on trainers minus two" in results.retention.primary.method
    assert results.retention.primary.estimate.degrees_of_freedom == 10.0
    model = results.strength
    assert "Trainers, who delivered one arm each, are a random effect" in model.model
    assert model.primary.estimate.degrees_of_freedom < 40.0
    tests = {item.outcome: item for item in results.rerandomisation}
    kept = next(entry for entry in simulated.ledger.entries() if entry.kind == "split").body["kept"]
    assert tests["strength"].exact
    assert tests["strength"].draws == kept
    assert tests["strength"].smallest_p_value == pytest.approx(2 / kept)
    assert "every split of the trainers that was kept" in tests["retention"].statistic


def test_the_report_says_who_was_allocated(simulated: Study) -> None:
    page = simulated.save(simulated.analyse()).read_text(encoding="utf-8")
    assert "Trainers, and not clients, were allocated, all in one recorded act" in page
    assert "Clients were allocated one at a time" not in page
    assert "12 trainers, each in one arm" in page


def test_the_audit_says_that_draws_were_simulated(simulated: Study) -> None:
    found = [str(finding) for finding in audit(*simulated.ledger.unverified()).findings]
    assert any("97 simulated draws" in text for text in found), "96 clients and the split"


def no_effect(protocol: Protocol) -> TrialSettings:
    """Eight trainers with a large spread, and arms that are alike."""
    settings = TrialSettings.from_protocol(protocol, clients=48)
    strength = replace(settings.strength, effects=(0.0, 0.0), sd_trainer=0.06)
    return replace(settings, trainers=8, strength=strength)


def test_drawing_the_trainers_again_keeps_its_size() -> None:
    """Exact by construction: over the kept splits the test rejects no more often than it says."""
    protocol = ready_protocol("trainers", ("trainers = 12 ", "trainers = 8 ")).protocol
    settings = no_effect(protocol)
    outcome = protocol.continuous_outcomes[0]
    patterns = np.array([[int(digit) for digit in f"{number:08b}"] for number in range(256)])
    splits = patterns[patterns.sum(axis=1) == 4]
    p_values = []
    for seed in range(60):
        trial = simulate_trial(settings, seed=seed)
        rows = trial.strength_rows()
        drawn = splits[:, rows.clients.trainer].astype(np.int8)
        test = RedrawnArms(drawn, np.full(len(splits), 1 / len(splits)), whole_trainers=True)
        p_values.append(rerandomise(protocol, outcome, rows, drawn=test).p_value)
    # 60 trials: at 20 % the Monte Carlo error is 5.2 points; the limit is three of them above.
    assert np.mean(np.array(p_values) <= 0.2) < 0.2 + 3 * 0.052
    assert np.mean(np.array(p_values) <= 0.5) == pytest.approx(0.5, abs=3 * 0.065)


def test_json_has_the_split(mine: Path, run: Run) -> None:
    list_clients(mine)
    assert run("lock", mine, "--by", "OW", "--yes")[0] == 0
    code, out, _ = run("trainers", mine, "--by", "OW", "--yes", "--json")
    assert code == 0
    answer = json.loads(out)
    assert set(answer["arm_of"]) == set(TRAINERS)
    assert answer["possible"] == 35


def test_columns_are_added_by_trainer(tmp_path: Path) -> None:
    """The helper of these tests itself."""
    path = tmp_path / "trainers.csv"
    path.write_text("trainer,note\nT2,x\nT1,\n", encoding="utf-8")
    add_columns(path, {"T1": {"years": 1.0}, "T2": {"years": 2.5}})
    assert path.read_text(encoding="utf-8") == "trainer,note,years\nT2,x,2.5\nT1,,1\n"
