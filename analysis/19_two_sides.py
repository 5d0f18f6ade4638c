"""Two sides of each client: what pairing within a body brings, and what ignoring it claims.

Purpose   show a trial in which one side of every client is trained by either method: the study's own
          analysis, the same model from a frame, and the mistake of counting sides as people.
Protocol  protocols/limbs.toml, its sides drawn at random in this script
Data      24 invented clients; levels, gains and the effect of 3 per cent are made up (judgement), and nothing
          passes from one side to the other, as it would in people
Output    printed; analysis/output/two_sides/ with protocol, records and report

    python analysis/19_two_sides.py
"""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pandas as pd

import studykit as sk
from studykit.protocol.protocol_file import parse_protocol
from studykit.protocol.types import Protocol
from studykit.shipped import shipped

OUTPUT = Path(__file__).parent / "output"
SEED = 1912
CLIENTS, EFFECT = 24, 0.03  # the effect on the logarithm of loads, some 3 per cent
DRAWN = 'method = "permuted blocks"\nblock_sizes = [2, 4]\nstrata = ["dominant"]'
ELSEWHERE = 'method = "external"\ndescription = "drawn at random by the simulation"\nstrata = ["dominant"]'


def invented_tests(protocol: Protocol, rng: np.random.Generator) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Clients with their dominant side and what was drawn for it; and one row for each test of a side."""
    names = [f"C{number:02}" for number in range(1, CLIENTS + 1)]
    clients = pd.DataFrame(
        {"client": names, "dominant": rng.choice(["left", "right"], CLIENTS, p=[0.2, 0.8])}
    )
    clients["arm"] = rng.permutation(np.repeat(protocol.allocated_codes, CLIENTS // 2))
    tests = clients.merge(pd.DataFrame({"visit": [visit.code for visit in protocol.visits]}), how="cross")
    tests = tests.merge(pd.DataFrame([(one.code, one.side) for one in protocol.exercises],
                                     columns=["exercise", "side"]), how="cross")  # fmt: skip
    after = tests["visit"] == protocol.outcomes[0].judged_at
    added = (tests["arm"] == protocol.allocated_codes[1]) == (tests["side"] == tests["dominant"])
    spread = {
        "client": (["client"], 0.25),
        "gain": (["client", "visit"], 0.06),
        "side": (["client", "side"], 0.05),
    }
    logs = np.log(60.0) + 0.10 * after + EFFECT * (after & added) + rng.normal(0.0, 0.045, len(tests))
    for columns, deviation in spread.values():
        group = tests.groupby(columns).ngroup()
        logs += rng.normal(0.0, deviation, group.max() + 1)[group]
    tests["load"] = (np.exp(logs) * 2).round() / 2
    return clients, tests


def make_study(folder: Path) -> sk.Study:
    """The ready protocol, allocated elsewhere, with the records of the invented clients."""
    ready = (shipped("protocols") / "limbs.toml").read_text(encoding="utf-8").replace(DRAWN, ELSEWHERE)
    read = parse_protocol(ready)
    clients, tests = invented_tests(read.protocol, np.random.default_rng(SEED))
    days = {visit.code: f"2026-{2 + visit.day // 30:02}-02" for visit in read.protocol.visits}
    tests = tests.assign(date=tests["visit"].map(days), unit="kg", repetitions=10)
    (folder / "records").mkdir(parents=True)
    (folder / "protocol.toml").write_text(read.text, encoding="utf-8")
    columns = ["client", "visit", "date", "exercise", "load", "unit", "repetitions"]
    for name, table in (("clients", clients.drop(columns="arm")), ("allocation", clients[["client", "arm"]]),
                        ("strength", tests[columns])):  # fmt: skip
        table.to_csv(folder / "records" / f"{name}.csv", index=False)
    return sk.Study.open(folder)


def one_row_per_side(study: sk.Study) -> pd.DataFrame:
    """Change of the mean log load from before to after, of each client and side, with the side's arm."""
    scores = sk.to_frame(study.rows()[0].outcomes["strength"])
    scores["side"] = scores["exercise"].str.rsplit("_", n=1).str[-1]
    scores["log_load"] = np.log(scores["score"])
    keys = ["client", "arm", "dominant", "side"]
    wide = scores.pivot_table(index=keys, columns="visit", values="log_load").dropna().reset_index()
    first, last = scores["visit"].iloc[0], study.protocol.outcomes[0].judged_at
    on_dominant = wide["side"] == wide["dominant"]
    compared = study.protocol.comparison_arm.code
    gets_it = (wide["arm"] == f"dominant_{compared}") == on_dominant
    return pd.DataFrame({
        "client": wide["client"], "side": np.where(on_dominant, "dominant", "other"),
        "arm": np.where(gets_it, "partner reps", "sets only"), "gain": wide[last] - wide[first],
    })  # fmt: skip


def main() -> None:
    shutil.rmtree(OUTPUT / "two_sides", ignore_errors=True)  # of an earlier run
    study = make_study(OUTPUT / "two_sides")

    # %% The study's own analysis: arms, sides and scores before in one model, clients random
    results = study.analyse()
    found = results.primary.primary
    interval = found.confidence_interval()
    print(f"{found.contrast}: ratio {found.value:.3f} ({interval.lower:.3f} to {interval.upper:.3f})")
    for remark in found.remarks:
        print(f"  {remark}")

    # %% From a frame: gains of sides, clients random
    sides = one_row_per_side(study)
    reference = {"arm": "sets only", "side": "other"}
    fit = sk.fit_frame(
        sides, outcome="gain", fixed=["arm", "side"], random={"client": ["intercept"]}, reference=reference
    )
    paired = fit.contrast({"arm[partner reps]": 1})
    print(f"\n{fit.rows}")
    print(
        f"Partner reps against sets only, gains within clients: {paired.value:.4f}, standard error "
        f"{paired.standard_error:.4f}, {paired.degrees_of_freedom:.0f} degrees of freedom"
    )

    # %% The mistake: two sides of one client taken for two people
    sides["row"] = [f"S{place}" for place in range(len(sides))]
    by_arm = sides.groupby("arm")["gain"]
    wrong = float(np.sqrt((by_arm.var() / by_arm.size()).sum()))
    share = sk.intraclass_correlation(fit, "client")
    print(
        f"Sides taken for people: standard error {wrong:.4f} with {len(sides) - 2} degrees of freedom. Sides "
        f"of one client have {share.value:.2f} of their spread in common, which the pairs take out and this "
        "leaves in; and twice as many people are claimed as there were."
    )
    print(f"\nReport: {study.save(results)}")


if __name__ == "__main__":
    main()
