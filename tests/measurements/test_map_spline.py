"""The smooth surface: B-splines in closed form, polynomials given back, points left out by hand."""

import numpy as np
import pytest
from scipy.interpolate import RBFInterpolator

from hybridopt import InputError
from hybridopt.measurements.bench_points import read_points
from hybridopt.measurements.map_gridding import grid_points
from hybridopt.measurements.map_spline import SplineShape, fit_surface, is_determined, uniform_basis

RNG = np.random.default_rng(4)
SHAPE = SplineShape((0.0, -1.0), (10.0, 3.0), (6, 5), (2, 3))
SPEED, TORQUE = RNG.uniform(0.0, 10.0, 80), RNG.uniform(-1.0, 3.0, 80)


def test_basis_in_closed_form():
    """Uniform cubic B-splines: (1, 4, 1) / 6 at a knot, (1, 23, 23, 1) / 48 between (textbook)."""
    basis = uniform_basis(np.array([0.0, 0.5, 1.0, 0.3, -2.0, 9.0]), 5)
    assert basis[0, :4] == pytest.approx([1 / 6, 4 / 6, 1 / 6, 0.0])
    assert basis[1, 2:6] == pytest.approx(np.array([1, 23, 23, 1]) / 48)
    assert basis[2, -4:] == pytest.approx([0.0, 1 / 6, 4 / 6, 1 / 6])
    assert basis.sum(axis=1) == pytest.approx(1.0)
    assert (basis[4:] == basis[[0, 2]]).all()  # beyond the ends as at the ends


def test_smoothing_all_the_way_is_the_polynomial_of_least_squares():
    """Against numpy's lstsq with the same weights, 1 / (|value| + a tenth of the mean)."""
    value = 3.0 + np.sin(SPEED) + 0.2 * TORQUE**3
    weight = 1.0 / (np.abs(value) + 0.1 * np.abs(value).mean())
    terms = [SPEED**i * TORQUE**j for i in range(2) for j in range(3)]
    rows = np.column_stack(terms)
    best = np.linalg.lstsq(rows * weight[:, None], value * weight, rcond=None)[0]
    fit = fit_surface(SHAPE, SPEED, TORQUE, value, (8, 8))
    np.testing.assert_allclose(fit(SPEED, TORQUE), rows @ best, rtol=1e-4)


@pytest.mark.parametrize("exponents", [(-3, -3), (2, -1), (7, 7)])
def test_polynomials_no_penalty_touches_come_back(exponents):
    """Of degree 1 in speed and 2 in torque, whatever the smoothing, also where no point is."""

    def truth(x, y):
        return 5.0 + 2.0 * x + 0.5 * y - 0.3 * x * y + 0.8 * y**2 + 0.1 * x * y**2

    low = SPEED < 6.0
    fit = fit_surface(SHAPE, SPEED[low], TORQUE[low], truth(SPEED, TORQUE)[low], exponents)
    np.testing.assert_allclose(fit(SPEED, TORQUE), truth(SPEED, TORQUE), rtol=1e-11)


def test_penalties_leave_those_polynomials_alone():
    """Coefficients that are a polynomial of their index, of lower degree than the penalty."""
    one, two = SHAPE.penalties()
    i, j = (x.ravel() for x in np.meshgrid(np.arange(9.0), np.arange(8.0), indexing="ij"))
    np.testing.assert_allclose(one @ ((3.0 + i) * (j**2 + 1.0)), 0.0, atol=1e-9)
    np.testing.assert_allclose(two @ ((3.0 + i) * (j**2 + 1.0)), 0.0, atol=1e-9)
    assert np.abs(one @ i**2).max() > 1.0 and np.abs(two @ j**3).max() > 1.0


def test_points_left_out_are_those_of_fits_without_them():
    """The short formula, residual / (1 - leverage), against as many fits as points."""
    value = 3.0 + np.sin(SPEED) + 0.2 * TORQUE**3
    fit = fit_surface(SHAPE, SPEED, TORQUE, value, (0, 0))
    for i in range(0, 80, 9):
        keep = np.arange(80) != i
        size = np.abs(value) + 0.1 * np.abs(value).mean()
        # the weights of the others must stay, so that both fits solve the same problem
        rows = SHAPE.basis(SPEED, TORQUE) / size[:, None]
        unit = np.trace(rows.T @ rows) / rows.shape[1]
        one, two = SHAPE.penalties()
        matrix = rows[keep].T @ rows[keep] + unit * (one + two)
        answer = np.linalg.solve(matrix, rows[keep].T @ (value / size)[keep])
        foretold = float((SHAPE.basis(SPEED[[i]], TORQUE[[i]]) @ answer)[0])
        assert fit.left_out_residual[i] == pytest.approx(value[i] - foretold, rel=1e-6)


def test_smoothing_is_found_for_noise_and_for_none():
    """Near the truth for both; with noise nearer than the points, as good as scipy's splines."""
    truth = 10.0 + np.sin(0.6 * SPEED) + 0.3 * TORQUE**2
    exact = fit_surface(SHAPE, SPEED, TORQUE, truth)
    noisy = truth + 0.2 * RNG.standard_normal(80)
    fit = fit_surface(SHAPE, SPEED, TORQUE, noisy)
    assert np.abs(exact.residual).max() < 0.02
    error = float(np.sqrt(np.mean((fit(SPEED, TORQUE) - truth) ** 2)))
    places = np.column_stack((SPEED / 10.0, (TORQUE + 1.0) / 4.0))
    best = min(
        float(np.sqrt(np.mean((RBFInterpolator(places, noisy, smoothing=s)(places) - truth) ** 2)))
        for s in 10.0 ** np.arange(-5.0, 3.0)
    )  # thin plates, the smoothing that is best in hindsight
    assert error < 0.2 / 1.5 and error < 1.3 * best


def test_points_on_a_line_do_not_determine_a_surface():
    assert is_determined(SHAPE, SPEED, TORQUE)
    assert not is_determined(SHAPE, SPEED, 0.3 * SPEED)
    assert not is_determined(SHAPE, SPEED[:5], TORQUE[:5])


def test_values_that_differ_by_many_powers_of_ten_are_refused(tmp_path):
    """The equations are singular to rounding."""
    path = tmp_path / "bench.csv"
    rows = ["1000,1,500", "1e8,3,300", "1000,1e-30,1e-12", "1000,12,225", "2000,1,500"]
    rows += ["2000,3,300", "2000,1e-200,237", "2000,12,225", "4500,1,500", "4500,3,300"]
    rows += ["4500,8,237", "4500,12,225"]
    path.write_text("\n".join(["speed_rpm,bmep_bar,bsfc_g_per_kWh", *rows]) + "\n")
    points = read_points(path, "engine", 42_900.0, 1.6e-3)
    with pytest.raises(InputError, match=r"bench.csv: values that differ by many powers of ten"):
        grid_points(points)
