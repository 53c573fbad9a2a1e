"""The uncertainty code against published worked examples and against Monte Carlo."""

import math

import numpy as np
import pytest

from toeline.measures.figures import MeasureFigures
from toeline.measures.toe_errors import estimate
from toeline.result import BudgetRow
from toeline.uncertainty import combined, correlated_noise, propagate, quantity, row, rows_of, standard


def effects_on(f, x, modes):
    """What modes (M, n) of one source do to a function of (n,): to each of its results, (M,) each."""
    moved = propagate(lambda v: dict(enumerate(np.atleast_2d(f(v.T)))), np.asarray(x, float), {"all": modes})
    return np.stack([by_source["all"] for by_source in moved.values()], axis=1)


def contributions(f, x, u):
    return effects_on(f, x, np.diag(np.asarray(u, float)))


END_GAUGE_X = [50_000_623.0, 215.0, 0.0, -0.1, 11.5e-6, 0.0]
END_GAUGE_U = [25.0, 9.7, 0.58e-6, 0.41, 1.2e-6, 0.029]


def end_gauge(v):
    ls, d, da, th, a, dth = v
    return ls + d - ls * (da * th + a * dth)


def test_end_gauge_gum_h1():
    # JCGM 100:2008, H.1: l = 50 000 838 nm, u = 32 nm to first order (31.71 before rounding)
    assert end_gauge(END_GAUGE_X) == pytest.approx(50_000_838, abs=0.5)
    c = contributions(end_gauge, END_GAUGE_X, END_GAUGE_U)
    assert math.sqrt((c**2).sum()) == pytest.approx(31.71, abs=0.01)


def test_end_gauge_monte_carlo_meets_the_second_order_figure():
    # JCGM 100:2008, H.1.7: u = 34 nm once the second-order terms are counted (33.91 before rounding)
    draws = np.random.default_rng(1).normal(END_GAUGE_X, END_GAUGE_U, (400_000, 6)).T
    assert end_gauge(draws).std() == pytest.approx(33.91, abs=0.15)


def test_impedance_gum_h2():
    # JCGM 100:2008, H.2, Table H.3: simultaneous resistance and reactance from correlated inputs
    v, i, phi = 4.9990, 19.661e-3, 1.04446
    u = np.array([3.2e-3, 9.5e-6, 7.5e-4])
    r = np.array([[1, -0.36, 0.86], [-0.36, 1, -0.65], [0.86, -0.65, 1]])

    def f(x):
        v, i, phi = x
        return np.array([v * np.cos(phi) / i, v * np.sin(phi) / i, v / i])

    c = effects_on(f, [v, i, phi], np.linalg.cholesky(r * np.outer(u, u)).T)
    cov = c.T @ c
    sd = np.sqrt(np.diag(cov))
    assert f([v, i, phi]) == pytest.approx([127.732, 219.847, 254.260], abs=2e-3)
    assert sd == pytest.approx([0.070, 0.296, 0.236], abs=1e-3)
    corr = cov / np.outer(sd, sd)
    assert (corr[0, 1], corr[0, 2], corr[1, 2]) == pytest.approx((-0.591, -0.491, 0.993), abs=2e-3)


def test_line_gum_h3():
    # JCGM 100:2008, H.3: calibration line of a thermometer, with its correlation
    t = np.array([21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511]) - 20.0
    b = -np.array([0.171, 0.169, 0.166, 0.159, 0.164, 0.165, 0.156, 0.157, 0.159, 0.161, 0.160])

    def fit(y):
        slope, intercept = np.polyfit(t, y, 1)
        return np.array([intercept, slope, intercept + 10.0 * slope])

    intercept, slope, at30 = fit(b)
    s = math.sqrt(np.sum((b - intercept - slope * t) ** 2) / (len(t) - 2))
    c = effects_on(fit, b, s * np.eye(len(t)))
    u = np.sqrt((c**2).sum(axis=0))
    assert (intercept, slope, at30) == pytest.approx((-0.1712, 0.00218, -0.1494), abs=5e-5)
    assert u == pytest.approx([0.0029, 0.00067, 0.0041], abs=5e-5)
    assert (c.T @ c)[0, 1] / (u[0] * u[1]) == pytest.approx(-0.930, abs=2e-3)


@pytest.mark.parametrize(
    ("shape", "u", "expected"),
    [
        ("normal", (1, 1, 1, 1), 2.00),  # JCGM 101:2008, 9.2.2
        ("rectangular", (1, 1, 1, 1), 2.00),  # 9.2.3
        ("rectangular", (1, 1, 1, 10), 10.1),  # 9.2.4
    ],
)
def test_additive_model_jcgm101_9_2(shape, u, expected):
    half_width = {"normal": 2.0, "rectangular": math.sqrt(3.0)}[shape]
    rows = [row(str(k), standard(half_width * ui, shape), shape) for k, ui in enumerate(u)]
    assert combined(rows) == pytest.approx(expected, abs=0.05)


def test_mass_jcgm101_9_3():
    # JCGM 101:2008, 9.3.2: GUM first order u = 0.0539 mg against 0.0754 mg by Monte Carlo
    def f(v):
        m_rc, dm, rho_a, rho_w, rho_r = v
        return (m_rc + dm) * (1 + (rho_a - 1.2) * (1 / rho_w - 1 / rho_r)) - 100_000

    x = [100_000, 1.234, 1.20, 8000.0, 8000.0]
    half = [None, None, 0.10, 1000.0, 50.0]
    u = [0.050, 0.020, *(standard(h, "rectangular") for h in half[2:])]
    assert math.sqrt((contributions(f, x, u) ** 2).sum()) == pytest.approx(0.0539, abs=2e-4)
    rng = np.random.default_rng(2)
    n = 400_000
    draws = [rng.normal(x[0], u[0], n), rng.normal(x[1], u[1], n)]
    draws += [rng.uniform(xi - h, xi + h, n) for xi, h in zip(x[2:], half[2:], strict=True)]
    y = f(draws)
    assert (y.mean(), y.std()) == pytest.approx((1.2341, 0.0754), abs=6e-4)


def by_draws(f, x, noise):
    """``f`` of (K, n) at ``x`` (n,) as the measures take noise out: value, u by draws, and what the noise added."""
    found, taken = estimate(lambda v: {"y": f(v)}, lambda raw, out: {"y": raw["y"] - out["y"]}, x, noise, {})
    rows = {r.label: r.u for r in found["y"].others}
    return found["y"].value, rows["toe localisation"], float(taken["y"]) / MeasureFigures.read().toe.noise_net


@pytest.mark.parametrize(
    ("draw", "u", "sd"),
    [
        ("normal", (1, 1, 1, 1), 2.00),  # JCGM 101:2008, 9.2.2
        ("rectangular", (1, 1, 1, 1), 2.00),  # 9.2.3
        ("rectangular", (1, 1, 1, 10), 10.1),  # 9.2.4
    ],
)
def test_additive_model_by_draws_jcgm101_9_2(draw, u, sd):
    rng = np.random.default_rng(5)
    half = math.sqrt(3.0)
    noise = rng.normal(0, 1, (100_000, 4)) if draw == "normal" else rng.uniform(-half, half, (100_000, 4))
    _, spread, added = by_draws(lambda v: v.sum(axis=-1), np.zeros(4), noise * np.array(u))
    assert spread == pytest.approx(sd, rel=0.01)
    assert added == pytest.approx(0.0, abs=0.1)


# JCGM 101:2008, 9.4.2: to first order u is 2 |x1| u, and so 0 where the estimate is 0; by draws the mean of y lies
# 50e-6 higher than its estimate (u squared, twice) and u is 50e-6, 112e-6 and 502e-6
LOSS = [(0.0, 0.0, 50e-6), (0.010, 100e-6, 112e-6), (0.050, 500e-6, 502e-6)]


@pytest.mark.parametrize(("x1", "u_gum", "u_draws"), LOSS)
def test_comparison_loss_jcgm101_9_4(x1, u_gum, u_draws):
    c = contributions(lambda v: v[0] ** 2 + v[1] ** 2, [x1, 0.0], [0.005, 0.005])
    assert math.sqrt((c**2).sum()) == pytest.approx(u_gum, abs=1e-12)
    noise = np.random.default_rng(6).normal(0, 0.005, (100_000, 2))
    value, spread, added = by_draws(lambda v: (v**2).sum(axis=-1), np.array([x1, 0.0]), np.concatenate([noise, -noise]))
    assert spread == pytest.approx(u_draws, rel=0.01)
    assert added == pytest.approx(50e-6, rel=0.02)
    assert value == pytest.approx(x1**2 - MeasureFigures.read().toe.noise_net * added)


def test_what_lies_between_no_noise_and_the_most_is_a_row():
    # y = x squared with noise of 0.1: it adds 0.01. By hand: half of what lies between taking out none and the most
    rule = MeasureFigures.read().toe
    noise = np.full((2, 1), 0.1) * [[1.0], [-1.0]]
    found, taken = estimate(
        lambda v: {"y": v[..., 0] ** 2}, lambda raw, out: {"y": raw["y"] - out["y"]}, np.array([3.0]), noise, {}
    )
    assert taken["y"] == pytest.approx(rule.noise_net * 0.01)
    most = (rule.noise_most / rule.noise_share) ** 2 * 0.01
    assert {r.label: r.u for r in found["y"].others}["noise correction"] == pytest.approx(most / 2)


@pytest.mark.parametrize(
    ("shape", "u"), [("rectangular", 1 / math.sqrt(3)), ("triangular", 1 / math.sqrt(6)), ("normal", 0.5)]
)
def test_type_b_shapes(shape, u):
    # JCGM 100:2008, 4.3.7 (rectangular), 4.3.9 (triangular)
    assert standard(1.0, shape) == pytest.approx(u)


def test_propagation_agrees_with_monte_carlo_on_a_distance():
    rng = np.random.default_rng(3)
    a = rng.normal(size=(4, 4))
    cov = 1e-4 * (a @ a.T + np.eye(4))
    x = np.array([0.0, 0.0, 30.0, 40.0])

    def distance(v):
        return np.hypot(v[2] - v[0], v[3] - v[1])

    u = math.sqrt((effects_on(distance, x, np.linalg.cholesky(cov).T) ** 2).sum())
    draws = rng.multivariate_normal(x, cov, 200_000)
    assert u == pytest.approx(distance(draws.T).std(), rel=0.01)


def test_a_common_mode_is_not_averaged_away_and_noise_is():
    n = 400
    common, own = np.full((1, n), 0.1), 0.1 * np.eye(n)
    moved = propagate(lambda v: {"mean": v.mean(axis=-1)}, np.zeros(n), {"common": common, "own": own})["mean"]
    assert {r.label: r.u for r in rows_of(moved)} == {
        "common": pytest.approx(0.1),
        "own": pytest.approx(0.1 / math.sqrt(n)),
    }


def test_correlated_noise_has_the_stated_spread_and_length():
    s = np.arange(0, 100, 0.25)
    u = np.linspace(0.05, 0.2, len(s))
    e = correlated_noise(s, u, 1.0, 2000, np.random.default_rng(4))
    assert e.mean(axis=0) == pytest.approx(np.zeros(len(s)), abs=1e-12)
    assert e.std(axis=0) == pytest.approx(u, rel=0.08)
    z = e / u
    assert np.mean(z[:, :-4] * z[:, 4:]) == pytest.approx(math.exp(-1.0), abs=0.02)


def test_quantity_states_u_at_k_2_and_keeps_its_budget():
    q = quantity(9.2, [row("print scale", 0.03), row("toe localisation", 0.04), row("lens", 0.0)], n=300)
    assert (q.value, q.U, q.k, q.unit, q.n) == (9.2, pytest.approx(0.1), 2.0, "mm", 300)
    assert [r.label for r in q.budget] == ["print scale", "toe localisation"]
    assert all(isinstance(r, BudgetRow) for r in q.budget)
