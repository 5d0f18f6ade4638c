"""What is refused before fitting, with the reason in the message."""

from __future__ import annotations

import numpy as np
import pytest

from studykit.errors import ArgumentError, ConvergenceError, DesignError
from studykit.mixed import RandomEffect, ResidualStructure, fit_linear_mixed, fit_many_linear_mixed
from studykit.mixed.inference import inverse_information

RNG = np.random.default_rng(3)
CLIENT = np.repeat(np.arange(8), 3)
VISIT = np.tile(np.arange(3), 8)
Y = RNG.normal(size=24) + RNG.normal(size=8)[CLIENT]
X = np.column_stack([np.ones(24), VISIT])


def test_as_many_random_effects_as_rows() -> None:
    with pytest.raises(DesignError, match="fewer random effects than rows"):
        fit_linear_mixed(Y, X, RandomEffect("row", np.arange(24)))
    with pytest.raises(DesignError, match="8 levels with 3 columns"):
        fit_linear_mixed(Y, X, RandomEffect("client", CLIENT, np.eye(3)[VISIT]))


def test_one_level() -> None:
    with pytest.raises(DesignError, match="at least two levels"):
        fit_linear_mixed(Y, X, RandomEffect("studio", np.zeros(24)))


def test_repeated_column_is_named_with_what_it_repeats() -> None:
    late = (VISIT == 2).astype(float)
    columns = np.column_stack([np.ones(24), VISIT == 0, VISIT == 1, late])
    with pytest.raises(DesignError, match="'late' repeats 'intercept', 'first' and 'second'"):
        fit_linear_mixed(
            Y, columns, RandomEffect("client", CLIENT), names=["intercept", "first", "second", "late"]
        )


def test_empty_cell_is_named() -> None:
    columns = np.column_stack([X, np.zeros(24)])
    with pytest.raises(DesignError, match="nothing but zeros in 'arm at visit 2'"):
        fit_linear_mixed(Y, columns, RandomEffect("client", CLIENT), names=["a", "b", "arm at visit 2"])


def test_two_names_for_one_factor() -> None:
    with pytest.raises(DesignError, match=r"no way to separate .*client.* and .*locker"):
        fit_linear_mixed(Y, X, [RandomEffect("client", CLIENT), RandomEffect("locker", CLIENT + 100)])


def test_client_within_visit_unstructured_beside_a_residual() -> None:
    """Two exercises at some visits only: the counts allow it, the rows of most visits do not."""
    more = np.append(np.arange(24), [0, 3, 6])
    residual = ResidualStructure("unstructured", np.append(CLIENT, [8, 9, 10]), VISIT[more])
    with pytest.raises(DesignError, match=r"no way to separate .*client"):
        fit_linear_mixed(
            Y[more], X[more], RandomEffect("client", np.append(CLIENT, [8, 9, 10])), residual=residual
        )


def test_factor_that_is_a_fixed_effect_too() -> None:
    trainer = CLIENT % 2
    columns = np.column_stack([X, trainer])
    with pytest.raises(DesignError, match=r"no way to separate 'variance of trainer \(intercept\)'"):
        fit_linear_mixed(Y, columns, [RandomEffect("client", CLIENT), RandomEffect("trainer", trainer)])


def test_not_finite_text_and_shapes() -> None:
    spoiled = Y.copy()
    spoiled[4] = np.nan
    with pytest.raises(ArgumentError, match=r"nan or infinity in 1 rows .first, counted from 0: 4"):
        fit_linear_mixed(spoiled, X, RandomEffect("client", CLIENT))
    with pytest.raises(ArgumentError, match="fixed effects: expected finite numbers"):
        fit_linear_mixed(Y, np.where(X == 2, np.inf, X), RandomEffect("client", CLIENT))
    with pytest.raises(ArgumentError, match="expected numbers; found list with text"):
        fit_linear_mixed(["a"] * 24, X, RandomEffect("client", CLIENT))
    with pytest.raises(ArgumentError, match="fixed effects: expected 24 rows"):
        fit_linear_mixed(Y, X[:-1], RandomEffect("client", CLIENT))
    with pytest.raises(ArgumentError, match="one row per outcome and one column per effect"):
        fit_linear_mixed(Y, X[:, 0], RandomEffect("client", CLIENT))
    with pytest.raises(ArgumentError, match="one number per row"):
        fit_linear_mixed(X, X, RandomEffect("client", CLIENT))
    with pytest.raises(ArgumentError, match="random effect 'client': expected 24 rows"):
        fit_linear_mixed(Y, X, RandomEffect("client", CLIENT[:-1]))
    with pytest.raises(ArgumentError, match="2 different names"):
        fit_linear_mixed(Y, X, RandomEffect("client", CLIENT), names=["a", "a"])
    with pytest.raises(ArgumentError, match="a name used twice"):
        fit_linear_mixed(Y, X, [RandomEffect("client", CLIENT), RandomEffect("client", VISIT)])
    with pytest.raises(ArgumentError, match="visits: expected 24 rows"):
        fit_linear_mixed(
            Y, X, RandomEffect("client", CLIENT), residual=ResidualStructure("by visit", None, VISIT[:-1])
        )
    with pytest.raises(DesignError, match="fewer columns than rows"):
        fit_linear_mixed(Y[:2], X[:2], RandomEffect("client", CLIENT[:2]))


def test_random_effects_check_their_own_parts() -> None:
    with pytest.raises(ArgumentError, match="a label in every row"):
        RandomEffect("client", ["a", None, "b"])
    with pytest.raises(ArgumentError, match="a label in every row; found 1 missing"):
        RandomEffect("client", [1.0, np.nan])
    with pytest.raises(ArgumentError, match="a design with 2 rows"):
        RandomEffect("client", ["a", "b"], [[1.0]])
    with pytest.raises(ArgumentError, match="finite numbers in the design"):
        RandomEffect("client", ["a", "b"], [1.0, np.nan])
    with pytest.raises(ArgumentError, match="a design of numbers"):
        RandomEffect("client", ["a", "b"], ["x", "y"])
    with pytest.raises(ArgumentError, match="one label per row"):
        RandomEffect("client", [["a", "b"]])
    with pytest.raises(ArgumentError, match="1 column names"):
        RandomEffect("client", ["a", "b"], columns=["a", "b"])


def test_residual_structures_check_their_own_parts() -> None:
    with pytest.raises(ArgumentError, match="one of 'equal', 'by visit'"):
        ResidualStructure("toeplitz")  # type: ignore[arg-type]
    with pytest.raises(ArgumentError, match="groups, one per row"):
        ResidualStructure("unstructured", None, VISIT)
    with pytest.raises(ArgumentError, match="visits, one per row"):
        ResidualStructure("by visit")
    with pytest.raises(ArgumentError, match="several rows of group 0 at visit 0"):
        ResidualStructure("unstructured", [0, 0], [0, 0])
    with pytest.raises(ArgumentError, match="expected numbers, since the correlation falls with their dist"):
        ResidualStructure("autoregressive", ["a", "a"], ["week 0", "week 6"])
    with pytest.raises(ArgumentError, match="expected numbers, since the correlation falls with their dist"):
        ResidualStructure("autoregressive", ["a", "a"], [0.0, np.inf])
    with pytest.raises(ArgumentError, match=r"expected a group with two visits, .* one visit in every group"):
        ResidualStructure("autoregressive", ["a", "b"], [0, 42])
    with pytest.raises(ArgumentError, match="as many visits as groups"):
        ResidualStructure("unstructured", ["a", "b"], [0])


def test_distances_of_visits_are_counted_in_the_smallest_one() -> None:
    """Days 0, 42, 84 and 126 were refused, as if nothing told the correlation from the variance."""
    days = ResidualStructure("autoregressive", ["a", "b", "a", "a", "b"], [3, 42, 129, 45, 168])
    assert (days.distance, days.even) == (42.0, True)
    np.testing.assert_array_equal(days.steps, [0, 0, 3, 1, 3])
    hours = ResidualStructure("autoregressive", ["a", "a", "a", "b"], [0.3, 0.1, 0.2, 0.15])
    assert (hours.distance, hours.even) == (pytest.approx(0.1), True)
    np.testing.assert_array_equal(hours.steps, [2, 0, 1, 0])
    uneven = ResidualStructure("autoregressive", ["a", "a", "a"], [0, 28, 98])
    assert (uneven.distance, uneven.even) == (28.0, False)
    np.testing.assert_array_equal(uneven.steps, [0, 1, 3.5])


def test_a_negative_correlation_needs_whole_distances() -> None:
    """Residuals that alternate: a model at even distances, refused with the reason at uneven ones."""
    rng = np.random.default_rng(8)
    client, visit = np.repeat(np.arange(20), 3), np.tile([0, 1, 2], 20)
    y = np.tile([1.0, -1.0, 1.0], 20) * rng.normal(size=20)[client] + rng.normal(0, 0.4, 60)
    for days, even in (([0, 42, 84], True), ([0, 42, 98], False)):
        residual = ResidualStructure("autoregressive", client, np.array(days)[visit])
        fit = fit_linear_mixed(y, np.ones((60, 1)), [], residual=residual)
        many = fit_many_linear_mixed(y, np.ones((60, 1)), [], contrasts=[[1.0]], residual=residual)
        assert (fit.converged, bool(many.converged[0])) == (even, even)
        if even:
            assert fit.covariance_parameters.residual.autocorrelation < -0.5
        else:
            assert fit.optimiser_report.message.startswith(
                "a negative residual autocorrelation, which visits"
            )


def test_a_residual_that_runs_to_zero_gives_no_inference() -> None:
    """Six clients crossed with two trainers explain seven rows: nothing holds the residual variance.

    By exact fractions the squared standard error at the estimates was 5.4 times what rounding left of it.
    """
    y = np.array([2.385, 3.686, 2.294, 2.46, 4.969, 1.243, -2.944])
    arm, later = [1, 0, 0, 0, 0, 0, 0], [0, 0, 1, 0, 1, 0, 1]
    X = np.column_stack([np.ones(7), arm, later])
    client = RandomEffect("client", np.array([0, 1, 1, 2, 2, 4, 5]))
    trainer = RandomEffect("trainer", np.array([1, 0, 1, 0, 0, 0, 1]))
    fit = fit_linear_mixed(y, X, [client, trainer])
    assert not fit.converged
    with pytest.raises(ConvergenceError, match="runs to zero"):
        fit.contrast([0.0, 1.0, 0.0])
    many = fit_many_linear_mixed(y[None], X, [client, trainer], contrasts=[0.0, 1.0, 0.0])
    assert not many.converged[0]
    assert np.isnan(many.standard_error[0, 0])


def test_a_small_residual_that_rows_hold_is_no_obstacle() -> None:
    rng = np.random.default_rng(3)
    client = np.repeat(np.arange(10), 4)
    X = np.column_stack([np.ones(40), np.tile([0.0, 1.0], 20)])
    y = rng.normal(0, 1, 10)[client] + rng.normal(0, 1e-4, 40)
    found = fit_linear_mixed(y, X, RandomEffect("client", client)).contrast([0.0, 1.0])
    assert found.degrees_of_freedom == pytest.approx(29.0, rel=1e-3)


@pytest.mark.parametrize("precision", [1e-1, 1e-3, 3e-4])
def test_variances_of_very_different_size_leave_the_degrees_of_freedom_exact(precision: float) -> None:
    """Arms between 20 clients have 18 degrees of freedom, however precisely each client is measured.

    By Satterthwaite they were 6e14 where tests repeat each other to a thousandth of what lies between
    clients, and infinite beside a visit that varies so little: the information of the larger variance
    passed for none.
    """
    rng = np.random.default_rng(3)
    client, visit = np.repeat(np.arange(20), 3), np.tile(np.arange(3), 20)
    arm, noise = client % 2, rng.normal(size=60)
    y = rng.normal(size=20)[client] + precision * noise
    fits = [fit_linear_mixed(y, np.column_stack([np.ones(60), arm]), RandomEffect("client", client))]
    X = np.column_stack([visit == k for k in range(3)] + [arm * (visit == k) for k in range(3)]).astype(float)
    residual = ResidualStructure("by visit", None, visit)
    fits.append(fit_linear_mixed(np.where(visit == 1, precision, 1.0) * noise, X, [], residual=residual))
    for fit, place in zip(fits, (1, 3), strict=True):
        for method in ("kenward-roger", "satterthwaite"):
            found = fit.contrast(np.eye(len(fit.names))[place], degrees_of_freedom=method)
            assert found.degrees_of_freedom == pytest.approx(18.0, rel=1e-6)


def test_traces_lost_in_rounding_are_no_crash() -> None:
    """Five rows of four clients and three trainers: the search for eigenvalues was given infinite numbers."""
    y = np.array([-370493.4730234189, 869823.6879997363, -733829.4438595033, 1647154.3636635973, 43270.619])
    X = np.column_stack([np.ones(5), [1, 0, 0, 0, 1], [1, 0, 1, 1, 0]])
    client = RandomEffect("client", np.array([1, 2, 2, 3, 4]))
    assert not fit_linear_mixed(y, X, [client, RandomEffect("trainer", np.array([1, 0, 0, 3, 0]))]).converged
    lost = np.array([[[2.0, 0.5, 0.0], [0.5, 1.0, np.inf], [0.0, np.inf, -3.0]]])
    found = inverse_information(lost)
    assert np.isfinite(found).all()
    assert found[0, 0, 0] == pytest.approx(1.0)


@pytest.mark.parametrize("seed", [1, 2, 4])
def test_visits_that_too_few_clients_share_give_no_inference(seed: int) -> None:
    """Twelve clients, nearly half of their tests missing: a combination of visits has no variance left.

    Standard errors at such an optimum depended on rounding; degrees of freedom of 10^7 were found.
    """
    rng = np.random.default_rng(seed)
    client, visit = np.repeat(np.arange(12), 3), np.tile(np.arange(3), 12)
    y, seen = rng.normal(size=12)[client] + rng.normal(size=36), rng.random(36) > 0.45
    arm = client % 2
    columns = [visit == 0, visit == 1, visit == 2, arm * (visit == 1), arm * (visit == 2)]
    X = np.column_stack(columns).astype(float)
    residual = ResidualStructure("unstructured", client[seen], visit[seen])
    fit = fit_linear_mixed(y[seen], X[seen], [], residual=residual)
    assert not fit.converged
    many = fit_many_linear_mixed(
        y[None],
        X,
        [],
        contrasts=[0.0, 0.0, 0.0, 0.0, 1.0],
        observed=seen[None],
        residual=ResidualStructure("unstructured", client, visit),
    )
    assert not many.converged[0]


def test_crossed_factors_of_too_many_levels_are_refused_by_name(monkeypatch: pytest.MonkeyPatch) -> None:
    """They would be eliminated as one dense matrix, whose products take too long and too much memory."""
    assessor = (CLIENT + VISIT) % 5

    def crossed() -> list[RandomEffect]:
        return [RandomEffect("client", CLIENT), RandomEffect("assessor", assessor)]

    assert fit_linear_mixed(Y, X, crossed()).rows == 24
    monkeypatch.setattr("studykit.mixed.checks.MOST_COLUMNS", 4)
    with pytest.raises(DesignError, match=r"'assessor': expected crossed factors with at most 4"):
        fit_linear_mixed(Y, X, crossed())
    nested = [RandomEffect("client", CLIENT), RandomEffect("trainer", CLIENT % 2)]
    assert fit_linear_mixed(Y, X, nested).rows == 24, "levels inside others are no such matrix"
