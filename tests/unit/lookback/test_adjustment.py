"""Terms, the room that departures leave for them, and the role of trainers."""

import numpy as np

from studykit.lookback.adjustment import (
    build_design,
    season_term,
    tenure_terms,
    too_few_departures,
    trainer_role,
)


def test_role_of_trainers():
    rng = np.random.default_rng(1)
    trainer, client = np.repeat(np.arange(6), 50), np.arange(300)
    crossed = trainer_role((rng.random(300) < 0.5).astype(float), trainer, client)
    assert (crossed.role, crossed.strata.max(), crossed.clusters.max()) == ("strata", 5, 299)
    nested = trainer_role((trainer < 3).astype(float), trainer, client)
    assert (nested.role, nested.strata.max(), nested.clusters.max()) == ("clusters", 0, 5)
    lonely = trainer_role((trainer < 1).astype(float), trainer, client)
    assert lonely.role == "inseparable"
    assert trainer_role((client < 9).astype(float), np.zeros(300), client).role == "one"


def test_terms_and_room():
    day = np.arange(0.0, 400.0)
    line, bends = tenure_terms(day)
    assert line.columns.shape == (400, 1)
    assert np.count_nonzero(bends.columns[:14]) == 0
    season = season_term(np.arange(400))
    assert season.columns.shape == (400, 2)
    strata = np.zeros(400, dtype=int)
    exposure = (day % 3 == 0).astype(float)
    roomy = build_design(exposure, (line, season, bends), strata=strata, events=100)
    assert roomy.columns.shape == (400, 7)
    tight = build_design(exposure, (line, bends, season), strata=strata, events=22)
    assert tight.adjusted_for == ("time since joining", "season")
    assert tight.left_out == ("time since joining, bends",)


def test_what_is_left_aside_is_said():
    day = np.arange(0.0, 40.0)
    line, bends = tenure_terms(day)
    built = build_design(
        (day % 2 == 0).astype(float), (line, bends), strata=np.zeros(40, dtype=int), events=11
    )
    assert built.omission == (" Left aside, as too few left or nothing varied: time since joining, bends.")
    assert (
        build_design(
            (day % 2 == 0).astype(float), (line,), strata=np.zeros(40, dtype=int), events=11
        ).omission
        == ""
    )
    assert too_few_departures("", (10, 10), ("with", "without"), 20) == ""
    assert "4 with, 90 without" in too_few_departures("here", (4, 90), ("with", "without"), 20)
    nobody = trainer_role(np.empty(0), np.empty(0, dtype=int), np.empty(0, dtype=int))
    assert (nobody.role, nobody.refusal) == ("one", "")
