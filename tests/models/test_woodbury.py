"""Very many rows: the likelihood and its fits without a matrix over the rows, against that with."""

import numpy as np
import pandas as pd
import pytest
from scipy import sparse

from psdstats.covariance import SharedErrors
from psdstats.models import MixedModel, leave_one_group_out
from psdstats.models.design_columns import RandomSlope
from psdstats.models.engine import CovarianceParts, shared_problem
from psdstats.models.judged import Family
from psdstats.models.posterior import freed, mixture, variance_posterior

GROUPS, TIMES, EACH = 6, 4, 3


@pytest.fixture(scope="module")
def trial():
    rng = np.random.default_rng(5)
    group, time, _ = (one.ravel() for one in np.indices((GROUPS, TIMES, EACH)))
    n = len(group)
    known = SharedErrors(rng.uniform(1e-5, 9e-5, n), 0.01 * rng.normal(size=(n, 4)))
    y = 4.8 - 0.2 * time + (0.02 * rng.normal(size=GROUPS) + 0.01 * time[:, None])[:, 0]
    y = y + 0.03 * rng.normal(size=GROUPS)[group] + 0.02 * rng.normal(size=n)
    y += known.shared @ rng.normal(size=4)
    return pd.DataFrame(
        {"group": group.astype(str), "time": time, "order": 1.0 * time, "y": y}
    ), known


def fitted(trial, known, boundary="free"):
    lines = RandomSlope("group", "order", correlated=False)
    return MixedModel(
        trial,
        response="y",
        fixed=["time"],
        random=[lines, ("group", "time")],
        factors=["time"],
        known_covariance=known,
        boundary=boundary,
    ).fit()


@pytest.fixture(scope="module")
def both(trial):
    frame, known = trial
    return fitted(frame, np.asarray(known)), fitted(frame, known)


def test_products_and_sums_are_those_of_the_matrix(trial):
    known, rng = trial[1], np.random.default_rng(1)
    whole, weights, rows = np.asarray(known), rng.normal(size=(3, len(known))), np.arange(0, 72, 5)
    np.testing.assert_allclose(weights @ known @ weights.T, weights @ whole @ weights.T)
    np.testing.assert_allclose(known @ weights[0], whole @ weights[0])
    np.testing.assert_allclose(whole + known, 2 * whole)
    np.testing.assert_array_equal([whole - known, known - whole, known - known], 0.0)
    both = np.ix_(rows, rows)
    np.testing.assert_allclose(np.asarray(known[both]), whole[both])
    cells = np.kron(np.eye(24), np.full((1, 3), 1 / 3))
    np.testing.assert_allclose(np.asarray(known.averaged(cells)), cells @ whole @ cells.T)
    assert known.least() == pytest.approx(np.linalg.eigvalsh(whole)[0], rel=1e-9)
    np.testing.assert_allclose(np.asarray(freed(known)), freed(whole), atol=1e-15)
    repeated = SharedErrors.of(known.own, np.hstack([known.shared, known.shared]) / np.sqrt(2))
    assert repeated.shared.shape == (72, 4)
    np.testing.assert_allclose(np.asarray(repeated), whole)


def test_likelihood_is_that_of_the_written_matrix():
    """Level, score and information against their definitions, a variance below zero too."""
    rng, n = np.random.default_rng(0), 40
    x, z = np.column_stack([np.ones(n), rng.normal(size=n)]), np.eye(5)[np.arange(n) % 5]
    known = SharedErrors(rng.uniform(0.1, 0.4, n), 0.5 * rng.normal(size=(n, 3)))
    problem = shared_problem(rng.normal(size=n), x, [sparse.csr_array(z)], known)
    g = [(problem.z @ problem.z.T).toarray(), np.eye(n)]
    for theta in (np.array([0.3, 0.5]), np.array([-0.02, 0.5])):
        v = np.tensordot(theta, g, 1) + np.asarray(problem.known)
        inverse = np.linalg.inv(v)
        inner = x.T @ inverse @ x
        p = inverse - inverse @ x @ np.linalg.inv(inner) @ x.T @ inverse
        left, value = p @ problem.y, problem.value(theta[None], np.array([0]))
        sizes = np.linalg.slogdet(v)[1] + np.linalg.slogdet(inner)[1]
        pairs = np.array([[np.trace(p @ a @ p @ b) for a in g] for b in g])
        forms = np.array([[left @ a @ p @ b @ left for a in g] for b in g])
        score = [0.5 * (left @ a @ left - np.trace(p @ a)) for a in g]
        assert value.log_likelihood[0] == pytest.approx(-0.5 * (sizes + problem.y @ left))
        np.testing.assert_allclose(value.score[0], score, rtol=1e-10)
        np.testing.assert_allclose(value.expected[0], 0.5 * pairs, rtol=1e-10)
        np.testing.assert_allclose(value.observed[0], forms - 0.5 * pairs, rtol=1e-9)
    assert problem.point(np.array([-50.0, 0.5])) is None
    assert problem.point(np.array([0.3, -0.5])) is None


def test_fit_is_that_with_the_matrix(both):
    few, many = both
    for name in ("theta", "log_likelihood", "expected", "observed", "beta", "beta_covariance"):
        np.testing.assert_allclose(
            getattr(many.estimates, name), getattr(few.estimates, name), rtol=1e-10, atol=1e-14
        )
    for name in ("adjusted", "theta_covariance", "slopes"):
        np.testing.assert_allclose(
            getattr(many.covariance, name), getattr(few.covariance, name), rtol=1e-9, atol=1e-12
        )
    one, other = many.test("time"), few.test("time")
    assert (one.f, one.df_den) == pytest.approx((other.f, other.df_den), rel=1e-10)
    pd.testing.assert_frame_equal(many.random_effects, few.random_effects, rtol=1e-9)
    np.testing.assert_allclose(many.fitted, few.fitted, rtol=1e-12)
    assert many.status == few.status
    np.testing.assert_allclose(many.whole.estimates.beta, few.estimates.beta, rtol=1e-12)


@pytest.mark.parametrize("method", ["kenward-roger", "satterthwaite"])
def test_groups_left_out_at_the_variances_of_all(trial, both, method):
    """Against least squares of the other groups at the same variances."""
    frame, many = trial[0], both[1]
    found = leave_one_group_out(many, "time", grouping="group", method=method).table
    found, test = found.set_index("left_out"), many.test("time", method=method)
    v = many.whole.random.parts.covariance(many.estimates.theta)
    contrast = many.fixed.hypothesis("time")
    for name in ("0", "3"):
        keep = (frame["group"] != name).to_numpy()
        x, inverse = many.fixed.matrix[keep], np.linalg.inv(v[np.ix_(keep, keep)])
        spread = np.linalg.inv(x.T @ inverse @ x)
        effect = contrast @ spread @ x.T @ inverse @ frame["y"].to_numpy()[keep]
        f = effect @ np.linalg.solve(contrast @ spread @ contrast.T, effect) / len(contrast)
        assert found.loc[name, "f"] == pytest.approx(f * test.scaling, rel=1e-9)
        assert found.loc[name, "df_den"] == test.df_den
        assert found.loc[name, "rows"] == keep.sum()


def test_inseparable_variances_are_refused_by_the_same_words(trial):
    frame, known = trial
    said = []
    for one in (known, np.asarray(known)):
        with pytest.raises(Exception, match="cannot be told apart") as refused:
            MixedModel(
                frame.assign(twin=frame["group"]),
                response="y",
                fixed=["time"],
                random=["group", "twin"],
                factors=["time"],
                known_covariance=one,
            ).fit()
        said.append(str(refused.value))
    assert said[0] == said[1]


def test_posterior_and_contrasts_beside_shared_errors(trial):
    """The grid is another one, so that weights differ and their means hardly."""
    frame, known = trial
    y, x = frame["y"].to_numpy(), np.eye(TIMES)[frame["time"]]
    z = np.eye(GROUPS)[frame["group"].astype(int)]
    wanted = np.array([[-1.0, 0, 0, 1], [0, -1, 1, 0]])
    sparse_parts, parts = (CovarianceParts.of([z], own) for own in (known, np.asarray(known)))
    many = variance_posterior(y, x, sparse_parts)
    one, other = mixture(y, x, parts, wanted, many), mixture(y, x, sparse_parts, wanted, many)
    np.testing.assert_allclose(other.centre, one.centre, rtol=1e-9)
    np.testing.assert_allclose(other.covariance, one.covariance, rtol=1e-9, atol=1e-14)
    sparse_parts, parts = (CovarianceParts.of([], own) for own in (known, np.asarray(known)))
    coarse = mixture(y, x, parts, wanted, variance_posterior(y, x, parts))
    other = mixture(y, x, sparse_parts, wanted, variance_posterior(y, x, sparse_parts))
    np.testing.assert_allclose(other.se, coarse.se, rtol=0.01)
    family = Family(members=(0, 1), signs=(1, 1))
    np.testing.assert_allclose(
        other.family_half_width(family, 0.05), coarse.family_half_width(family, 0.05), rtol=0.02
    )


def test_full_likelihood_keeps_the_matrix(trial):
    frame, known = trial
    options = {"response": "y", "fixed": ["time"], "random": ["group"], "factors": ["time"]}
    found = [
        MixedModel(frame, known_covariance=one, **options).fit(criterion="ml")
        for one in (known, np.asarray(known))
    ]
    np.testing.assert_allclose(*(one.estimates.theta for one in found), rtol=1e-8)
    np.testing.assert_allclose(*(one.covariance.adjusted for one in found), rtol=1e-8)
