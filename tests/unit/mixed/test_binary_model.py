"""Refusals, separation in words, the boundary, and what a fit gives."""

from __future__ import annotations

import numpy as np
import pytest

from studykit.errors import ArgumentError, ConvergenceError, DesignError
from studykit.mixed import BinaryFit, RandomEffect, fit_binary_mixed

RNG = np.random.default_rng(21)
N = 120
TRAINER = np.arange(N) % 12
ARM = (np.arange(N) // 12 % 2).astype(float)
X = np.column_stack([np.ones(N), ARM])
NAMES = ["intercept", "partner reps"]
Y = (RNG.random(N) < 1 / (1 + np.exp(-(0.5 + 0.6 * ARM + RNG.normal(size=12)[TRAINER])))).astype(float)
EFFECT = RandomEffect("trainer", TRAINER)


def fit(outcome: np.ndarray = Y, **options: object) -> BinaryFit:
    return fit_binary_mixed(outcome, X, EFFECT, names=NAMES, **options)


class TestRefusals:
    def test_outcomes_that_are_no_counts(self) -> None:
        with pytest.raises(ArgumentError, match=r"0 or 1 in every row; found 2. For counts"):
            fit(np.where(np.arange(N) == 3, 2.0, Y))
        with pytest.raises(ArgumentError, match=r"0 to the trials of the row; found 3 in row 5"):
            fit(np.where(np.arange(N) == 5, 3.0, Y), trials=np.full(N, 2))
        with pytest.raises(ArgumentError, match="whole numbers of at least 1; found 0 in row 0"):
            fit(trials=np.arange(N))
        with pytest.raises(ArgumentError, match=f"expected {N} rows, as in the outcome; found 3"):
            fit(trials=[1, 1, 1])
        with pytest.raises(ArgumentError, match="nan or infinity in 1 rows"):
            fit(np.where(np.arange(N) == 5, np.nan, Y))

    def test_options(self) -> None:
        with pytest.raises(ArgumentError, match="'logit', 'cloglog'; found 'probit'"):
            fit(link="probit")
        with pytest.raises(ArgumentError, match="whole number of at least 1; found 0"):
            fit(quadrature_points=0)
        with pytest.raises(ArgumentError, match="'when separated', 'always', 'never'; found 'firth'"):
            fit(penalty="firth")
        two = [EFFECT, RandomEffect("hall", np.arange(N) % 5)]
        with pytest.raises(ArgumentError, match=r"1 \(Laplace\) for several random effects"):
            fit_binary_mixed(Y, X, two, quadrature_points=5)

    def test_outcomes_of_one_kind(self) -> None:
        with pytest.raises(DesignError, match="120 of 120 with the outcome, in every arm"):
            fit(np.ones(N))
        alike = (TRAINER < 5).astype(float)
        with pytest.raises(DesignError, match="5 levels with it in every trial and 7 in none"):
            fit(alike)

    def test_designs(self) -> None:
        with pytest.raises(DesignError, match="at least two levels"):
            fit_binary_mixed(Y, X, RandomEffect("studio", np.zeros(N)))
        with pytest.raises(DesignError, match=r"fewer random effects than trials \(120\)"):
            fit_binary_mixed(Y, X, RandomEffect("client", np.arange(N)))
        with pytest.raises(DesignError, match="'again' repeats 'partner reps'"):
            fit_binary_mixed(Y, np.column_stack([X, ARM]), EFFECT, names=[*NAMES, "again"])
        with pytest.raises(DesignError, match="no way to separate 'trainer' and 'locker'"):
            fit_binary_mixed(Y, X, [EFFECT, RandomEffect("locker", TRAINER + 100)])
        levels = np.eye(12)[TRAINER]
        with pytest.raises(DesignError, match="a fixed effect for every level"):
            fit_binary_mixed(Y, levels, EFFECT)
        with pytest.raises(ArgumentError, match="random effect 'trainer': expected 120 rows"):
            fit_binary_mixed(Y, X, RandomEffect("trainer", TRAINER[:5]))
        with pytest.raises(ArgumentError, match="a name used twice"):
            fit_binary_mixed(Y, X, [EFFECT, RandomEffect("trainer", np.arange(N) % 5)])
        with pytest.raises(ArgumentError, match="at least one; found none"):
            fit_binary_mixed(Y, X, [])

    def test_one_trial_per_level_is_refused_but_counts_are_not(self) -> None:
        """Counts out of several trials have variation of their own: a level per row is a model of it."""
        counts = np.array([3, 5, 9, 2, 8, 7, 1, 9, 4, 6], dtype=float)
        each = fit_binary_mixed(
            counts, np.ones((10, 1)), RandomEffect("row", np.arange(10)), trials=[10] * 10
        )
        assert each.converged
        assert each.covariance("row")[0, 0] > 0.1


class TestSeparation:
    def test_nobody_left_in_one_arm(self) -> None:
        stayed = np.where(ARM == 1, 1.0, Y)
        found = fit(stayed)
        assert str(found.separation) == (
            "Where partner reps = 1, 60 of 60 have the outcome: the coefficient of 'partner reps' has no "
            "finite estimate without a penalty."
        )
        assert found.converged
        assert found.penalised
        assert max(coefficient.standard_error for coefficient in found.coefficients) < 3.0
        assert str(found.separation) in found.cautions
        assert "penalised (Jeffreys)" in found.contrast({"partner reps": 1}).method
        risks = found.standardised_risks({"partner reps": 1}, {"partner reps": 0})
        assert 0.95 < risks.compared.value < 1.0
        assert risks.compared.confidence_interval().upper < 1.0

    def test_reference_arm_of_three(self) -> None:
        arms = np.arange(N) // 12 % 3
        outcome = np.where(arms == 0, 0.0, Y)
        columns = np.column_stack([np.ones(N), arms == 1, arms == 2])
        found = fit_binary_mixed(outcome, columns, EFFECT, names=["intercept", "A", "B"])
        assert str(found.separation).startswith(
            "Where A = 0 and B = 0, 0 of 48 have the outcome: coefficients of"
        )

    @pytest.mark.parametrize("link", ["logit", "cloglog"])
    def test_a_line_that_divides_the_outcomes(self, link: str) -> None:
        age = RNG.normal(size=N)
        found = fit_binary_mixed(
            (age > 0.1).astype(float),
            np.column_stack([np.ones(N), age]),
            EFFECT,
            names=["intercept", "age"],
            link=link,
        )
        assert "Rows far along 'age' have outcomes of one kind only" in str(found.separation)
        assert found.penalised

    def test_never_penalised_is_not_converged(self) -> None:
        found = fit(np.where(ARM == 1, 1.0, Y), penalty="never")
        assert not found.converged
        assert all(np.isnan(coefficient.standard_error) for coefficient in found.coefficients)
        with pytest.raises(ConvergenceError, match="no finite estimate: Where partner reps = 1, 60 of 60"):
            found.contrast({"partner reps": 1})
        with pytest.raises(ConvergenceError, match="Simplify the random effects"):
            found.standardised_risks({"partner reps": 1}, {"partner reps": 0})

    def test_cloglog_saturates_early(self) -> None:
        """Without failures a complementary log-log fit stops moving at 4, where logits go on to 18."""
        found = fit(np.where(ARM == 1, 1.0, Y), link="cloglog")
        assert found.separation is not None
        assert found.converged

    def test_nothing_is_penalised_without_separation(self) -> None:
        almost = np.where(ARM == 1, 1.0, Y)
        almost[np.flatnonzero(ARM == 1)[0]] = 0.0
        found = fit(almost)
        assert found.separation is None
        assert not found.penalised
        assert found.converged

    def test_always_penalised_shrinks(self) -> None:
        plain, shrunk = fit(), fit(penalty="always")
        assert shrunk.penalised
        assert abs(shrunk.values[1]) < abs(plain.values[1])
        assert shrunk.log_likelihood < plain.log_likelihood


class TestSearch:
    def test_variance_at_zero_is_kept_and_named(self) -> None:
        outcome = (np.arange(N) // 24 % 2).astype(float)  # the same in all trainers
        found = fit(outcome)
        assert found.converged
        assert found.boundary_terms == ("The estimated variance of trainer is zero.",)
        assert found.covariance("trainer")[0, 0] == 0.0
        assert (found.precision.covariance[-1] == 0.0).all()
        share = np.array([outcome[arm == ARM].mean() for arm in (0, 1)])
        odds = np.log(share / (1 - share))
        np.testing.assert_allclose(found.values, [odds[0], odds[1] - odds[0]], atol=1e-9)
        information = np.array([(arm == ARM).sum() * s * (1 - s) for arm, s in enumerate(share)])
        assert found.coefficients[1].standard_error == pytest.approx(
            np.sqrt((1 / information).sum()), rel=1e-7
        )

    def test_flat_top_at_zero(self) -> None:
        """Four trainers of nine, three with six and one with nine: the slope by the variance is exactly zero.

        The search once stood still here and called it no optimum.
        """
        outcome = np.concatenate([np.arange(9) < kept for kept in (6, 6, 9, 6)]).astype(float)
        found = fit_binary_mixed(outcome, np.ones((36, 1)), RandomEffect("trainer", np.repeat(range(4), 9)))
        assert found.converged
        assert found.covariance("trainer")[0, 0] < 1e-3
        assert found.values[0] == pytest.approx(np.log(3), abs=1e-4)

    def test_variance_without_end(self) -> None:
        """All clients but one of twelve trainers have the outcome of their colleagues."""
        outcome = (TRAINER < 6).astype(float)
        outcome[0] = 0.0
        found = fit(outcome)
        assert not found.converged
        assert "the variance of trainer grows without end" in found.optimiser_report.message
        with pytest.raises(ConvergenceError, match="most levels of trainer have outcomes of one kind only"):
            found.contrast([0, 1])

    def test_more_points_settle(self) -> None:
        values = [fit(quadrature_points=points).log_likelihood for points in (1, 5, 15, 30, 101)]
        steps = np.abs(np.diff(values))
        assert steps[0] > 1e-3
        assert steps[-1] < 1e-9


class TestResult:
    def test_between_within_degrees_of_freedom(self) -> None:
        """Crossed: trials minus trainers minus the arm. Clustered: trainers minus both columns."""
        assert fit().contrast({"partner reps": 1}).degrees_of_freedom == N - 12 - 1
        assert fit().contrast({"intercept": 1}).degrees_of_freedom == 12 - 1
        clustered = np.column_stack([np.ones(N), TRAINER % 2])
        found = fit_binary_mixed(Y, clustered, EFFECT, names=NAMES)
        assert found.contrast([0, 1]).degrees_of_freedom == 12 - 2
        assert found.contrast([0, 1], degrees_of_freedom="normal").degrees_of_freedom == np.inf

    def test_nested_factors_use_the_coarsest_that_holds_the_column(self) -> None:
        client = TRAINER + 12 * (np.arange(N) // 24)  # five clients of every trainer, two months each
        month = np.arange(N) // 12 % 2
        columns = np.column_stack([np.ones(N), TRAINER % 2, month])
        found = fit_binary_mixed(Y, columns, [EFFECT, RandomEffect("client", client)])
        np.testing.assert_array_equal(found.precision.degrees_of_freedom, [10.0, 10.0, N - 60 - 1])

    def test_no_degrees_of_freedom_left(self) -> None:
        two = RandomEffect("trainer", np.arange(N) % 2)
        found = fit_binary_mixed(Y, np.column_stack([np.ones(N), RNG.normal(size=N)]), two)
        assert found.contrast([0, 1]).degrees_of_freedom > 100
        clustered = RandomEffect("trainer", np.arange(N) % 3)
        columns = np.column_stack([np.ones(N), np.arange(N) % 3 == 1])
        few = fit_binary_mixed(Y, columns, clustered)
        assert few.contrast([0, 1]).degrees_of_freedom == 1.0

    @pytest.mark.parametrize("asked", ["satterthwaite", "kenward-roger"])
    def test_normal_theory_degrees_of_freedom_are_refused(self, asked: str) -> None:
        with pytest.raises(ArgumentError, match="rest on a normal outcome with a residual variance"):
            fit().contrast([0, 1], degrees_of_freedom=asked)  # type: ignore[arg-type]
        with pytest.raises(ArgumentError, match="not defined here"):
            fit().standardised_risks({"partner reps": 1}, {"partner reps": 0}, degrees_of_freedom=asked)  # type: ignore[arg-type]

    def test_wrong_contrasts(self) -> None:
        with pytest.raises(ArgumentError, match="'intercept', 'partner reps'; found 'arm'"):
            fit().contrast({"arm": 1})
        with pytest.raises(ArgumentError, match=r"2 finite numbers.*shape \(3,\)"):
            fit().contrast([0, 1, 2])
        with pytest.raises(ArgumentError, match="at least one that is not zero"):
            fit().contrast([0, 0])
        with pytest.raises(ArgumentError, match="'between-within' or 'normal'; found 'residual'"):
            fit().contrast([0, 1], degrees_of_freedom="residual")  # type: ignore[arg-type]
        with pytest.raises(ArgumentError, match="one of 'trainer'; found 'client'"):
            fit().covariance("client")
        with pytest.raises(ArgumentError, match="one of 'trainer'; found 'client'"):
            fit().random_effect_predictions("client")

    def test_predictions_and_fitted_values(self) -> None:
        found = fit()
        prediction = found.random_effect_predictions("trainer")
        assert prediction.levels == tuple(range(12))
        eta = X @ found.values + prediction.values[TRAINER, 0]
        np.testing.assert_allclose(found.fitted_values(conditional=True), 1 / (1 + np.exp(-eta)))
        assert (prediction.standard_errors < np.sqrt(found.covariance("trainer")[0, 0])).all()
        assert len(np.unique(found.fitted_values(conditional=False).round(12))) == 2

    def test_results_are_frozen(self) -> None:
        found = fit()
        with pytest.raises(ValueError, match="read-only"):
            found.precision.covariance[0, 0] = 1.0
        with pytest.raises(AttributeError, match="cannot assign"):
            found.converged = False  # type: ignore[misc]

    def test_one_line(self) -> None:
        assert repr(fit()).startswith(
            "BinaryFit(120 trials in 120 rows, 2 fixed effects, logit, Laplace, log-"
        )
        assert "9 quadrature points" in repr(fit(quadrature_points=9))

    def test_cautions(self) -> None:
        found = fit_binary_mixed(Y, X, RandomEffect("client", np.arange(N) // 4 * 7))
        assert any("rough with 4.0 trials per level of client; use more" in line for line in found.cautions)
        few = fit_binary_mixed(Y, X, RandomEffect("trainer", np.arange(N) % 4))
        assert any(line.startswith("trainer has 4 levels; below 10") for line in few.cautions)
        assert fit().cautions == ()
