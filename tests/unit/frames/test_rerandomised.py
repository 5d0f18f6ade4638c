"""Drawing a column again: exact p-values against scipy, the size of the test, and what is refused."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pandas as pd
import pytest
from scipy import stats

import studykit as sk
from studykit.errors import ArgumentError
from studykit.frames import FrameFit


def trial(seed: int = 5, clients: int = 10, visits: int = 3, heavy: bool = False) -> pd.DataFrame:
    rng = np.random.default_rng(seed)
    own = rng.standard_t(2, clients) * 4 if heavy else rng.normal(0, 4, clients)
    arm = np.where(rng.permutation(clients) % 2, "added", "plain")
    return pd.DataFrame({
        "client": np.repeat([f"C{place}" for place in range(clients)], visits),
        "visit": np.tile(np.arange(visits, dtype=float), clients),
        "sex": np.repeat(np.where(np.arange(clients) % 4 < 2, "f", "m"), visits),
        "arm": np.repeat(arm, visits),
        "load": 50 + np.repeat(own, visits) + rng.normal(0, 2, clients * visits),
    })  # fmt: skip


def fitted(frame: pd.DataFrame, fixed: list[str | tuple[str, ...]]) -> FrameFit:
    first = {"arm": "plain"} | ({"sex": "f"} if "sex" in fixed else {})
    return sk.fit_frame(frame, outcome="load", fixed=fixed, random={"client": ["intercept"]}, reference=first)


def test_all_arrangements_against_scipy() -> None:
    """Balanced rows: generalised least squares is the difference of clients' means, which scipy permutes."""
    frame = trial()
    found = fitted(frame, ["arm", "visit"]).rerandomise("arm", unit="client")
    means = frame.groupby("client").agg(load=("load", "mean"), arm=("arm", "first"))
    sides = [means.loc[means["arm"] == arm, "load"] for arm in ("added", "plain")]
    scipys = stats.permutation_test(sides, lambda a, b: abs(np.mean(a) - np.mean(b)), n_resamples=np.inf,
                                    alternative="greater")  # fmt: skip
    assert found.exact
    assert found.draws == 252
    assert found.p_value == pytest.approx(scipys.pvalue, abs=1e-12)
    assert found.smallest_p_value == pytest.approx(2 / 252)
    assert found.terms == ("arm",)


def test_within_levels_and_with_rows_missing_by_dense_matrices() -> None:
    """Every arrangement inside the levels of sex; each statistic by plain generalised least squares."""
    frame = trial(7, clients=8).drop(index=[2, 9, 10])
    fit = fitted(frame, ["arm", "sex"])
    found = fit.rerandomise("arm", unit="client", within="sex")
    null = fit.model.random_effects[0]
    simple = sk.fit_frame(
        frame, outcome="load", fixed=["sex"], random={"client": ["intercept"]}, reference={"sex": "f"}
    )
    parameters = simple.fit.covariance_parameters
    V = parameters.residual.variance * np.eye(len(frame))
    V += parameters["client"][0, 0] * (null.codes[:, None] == null.codes)
    inverse = np.linalg.inv(V)
    y, other = frame["load"].to_numpy(), np.column_stack([np.ones(len(frame)), frame["sex"] == "m"])
    arms = frame.groupby("client")["arm"].first()
    sexes = frame.groupby("client")["sex"].first()
    squares = []
    groups = [list(arms.index[sexes == sex]) for sex in ("f", "m")]
    sizes = [int((arms[group] == "added").sum()) for group in groups]
    for one in combinations(groups[0], sizes[0]):
        for two in combinations(groups[1], sizes[1]):
            X = np.column_stack([other, frame["client"].isin((*one, *two))]).astype(float)
            bread = np.linalg.inv(X.T @ inverse @ X)
            squares.append((bread @ X.T @ inverse @ y)[2] ** 2 / bread[2, 2])
            if {*one, *two} == set(arms.index[arms == "added"]):
                seen = squares[-1]
    assert found.draws == len(squares)
    assert found.statistic == pytest.approx(seen, rel=1e-6)
    assert found.p_value == pytest.approx(np.mean(np.array(squares) >= seen - 1e-7))


def test_a_product_is_tested_together_with_its_column() -> None:
    fit = fitted(trial(), ["arm", "visit", ("arm", "visit")])
    found = fit.rerandomise("arm", unit="client", seed=3)
    assert found.terms == ("arm", "arm:visit")
    joint = fit.joint_test([{"arm[added]": 1}, {"arm[added]:visit": 1}])
    assert found.model_p_value == joint.p_value
    doubled = trial().assign(
        visit=lambda rows: 2 * rows["visit"] + 1
    )  # another scale of time changes nothing
    again = fitted(doubled, ["arm", "visit", ("arm", "visit")]).rerandomise("arm", unit="client", seed=3)
    assert again.statistic == pytest.approx(found.statistic, rel=1e-6)
    assert again.p_value == found.p_value


def test_the_sentence_has_both_answers() -> None:
    found = fitted(trial(), ["arm", "visit"]).rerandomise("arm", unit="client")
    assert found.sentence.startswith("arm, arm drawn again between 10 clients, all 252 arrangements: p = ")
    assert f"{found.p_value:.3f}"[1:] in found.sentence
    assert f"by the model: p = {found.model_p_value:.3f}".replace("0.", ".") in found.sentence


def test_random_draws_are_close_to_the_list_and_repeat() -> None:
    frame = trial(3, clients=20, visits=2)
    fit = fitted(frame, ["arm"])
    found = fit.rerandomise("arm", unit="client", draws=1999, seed=2)
    assert not found.exact
    assert found.p_value == fit.rerandomise("arm", unit="client", draws=1999, seed=2).p_value
    assert found.p_value * 2000 == pytest.approx(round(found.p_value * 2000))  # (b + 1) / (m + 1)
    assert found.p_value == pytest.approx(found.model_p_value, abs=0.04)  # normal data: the two agree
    assert "1999 random arrangements (Monte Carlo error of p" in " ".join(str(found).split())


def test_the_size_holds_where_tails_are_heavy() -> None:
    """150 trials without effect, t with 2 degrees of freedom: 4 of 70 rejected, Monte Carlo error 1.9 %."""
    rejected = 0
    for seed in range(150):
        frame = trial(seed, clients=8, visits=2, heavy=True)
        rejected += fitted(frame, ["arm"]).rerandomise("arm", unit="client").p_value <= 4 / 70 + 1e-12
    assert rejected / 150 == pytest.approx(4 / 70, abs=3 * 0.019)


@pytest.mark.parametrize(
    ("column", "unit", "within", "draws", "message"),
    [
        (
            "visit",
            "client",
            "",
            999,
            "column visit: expected one value for all rows.*found 1.0 beside 0.0 in C0",
        ),
        ("weight", "client", "", 999, "expected one of the fixed effects arm, visit, sex; found 'weight'"),
        ("arm", "trainer", "", 999, "expected another column of the model: load, visit, sex, client"),
        ("arm", "arm", "", 999, "expected another column of the model"),
        ("arm", "client", "visit", 999, "column visit: expected one value"),
        ("arm", "client", "client", 999, "found one possible arrangement"),
        ("arm", "client", "", 10, "expected 99 draws or more; found 10"),
    ],
)
def test_what_cannot_be_drawn_again_is_refused(
    column: str, unit: str, within: str, draws: int, message: str
) -> None:
    fit = fitted(trial(), ["arm", "visit", "sex"])
    with pytest.raises(ArgumentError, match=message):
        fit.rerandomise(column, unit=unit, within=within, draws=draws)
