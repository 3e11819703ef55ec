"""A smooth surface over speed and torque through scattered points: penalised B-splines.

Cubic B-splines on equal steps in both directions, with a penalty on differences of their
coefficients. Where the points say nothing, a penalty of order d continues the surface as a
polynomial of degree d - 1, and such polynomials are given back exactly whatever the smoothing.

References
----------
Eilers, Marx, Flexible smoothing with B-splines and penalties, Statistical Science 11(2), 1996, DOI
10.1214/ss/1038425655; Eilers, Currie, Durban, Fast and compact smoothing on large multidimensional
grids, Computational Statistics and Data Analysis 50(1), 2006, DOI 10.1016/j.csda.2004.07.008.
"""

from dataclasses import dataclass
from itertools import product

import numpy as np
from scipy.interpolate import BSpline
from scipy.linalg import khatri_rao

from ..base.errors import InputError

SIGMA = 1.4826  # of the normal distribution, in medians of the absolute value
MAX_PIECES = 14  # spline pieces per direction
COARSE = (-3, -1, 1, 3, 5, 7)  # decimal exponents of the smoothing, tried in both directions
NEARLY_BEST = 1.02  # of the score; the smoothest of those is taken
ROUNDING = 1e-20  # score, a relative error squared, below which scores count as equal
ALONE = 1e-7  # 1 - leverage, below which a point cannot be predicted from the others


@dataclass(frozen=True)
class SplineShape:
    """Domain, pieces and penalties of a surface; entries are (speed, torque).

    Attributes
    ----------
    low, high : ends of the domain, rad/s and N m
    pieces : spline pieces
    orders : of the difference penalties, 1 to 3
    """

    low: tuple[float, float]
    high: tuple[float, float]
    pieces: tuple[int, int]
    orders: tuple[int, int]

    def scaled(self, axis: int, values: np.ndarray) -> np.ndarray:
        """Return coordinates along an axis as 0 to 1 over the domain."""
        place: np.ndarray = (values - self.low[axis]) / (self.high[axis] - self.low[axis])
        return place

    def basis(self, speed: np.ndarray, torque: np.ndarray) -> np.ndarray:
        """Return the value of every tensor product of B-splines at points, (n, coefficients)."""
        one, two = (
            uniform_basis(self.scaled(axis, values), self.pieces[axis])
            for axis, values in enumerate((speed, torque))
        )
        return _products(one, two)

    def trend(self, speed: np.ndarray, torque: np.ndarray) -> np.ndarray:
        """Return the polynomials that no penalty touches at points, (n, orders multiplied)."""
        one, two = (
            np.vander(2.0 * self.scaled(axis, values) - 1.0, self.orders[axis], increasing=True)
            for axis, values in enumerate((speed, torque))
        )
        return _products(one, two)

    def penalties(self) -> tuple[np.ndarray, np.ndarray]:
        """Return the two penalty matrices, (coefficients, coefficients) each."""
        one, two = (np.eye(pieces + 3) for pieces in self.pieces)
        rough, wavy = np.diff(one, self.orders[0], axis=0), np.diff(two, self.orders[1], axis=0)
        return np.kron(rough.T @ rough, two), np.kron(one, wavy.T @ wavy)


@dataclass(frozen=True, eq=False)
class FittedSurface:
    """A surface, and how it fits the points it is made from.

    Attributes
    ----------
    shape : its domain and splines
    trend, coefficients : of polynomials and of B-splines
    exponents : decimal exponents of the smoothing
    residual : point minus surface, (n,)
    leverage : weight of each point in the surface at its own place, 0 to 1, (n,)
    scale : size that residuals are judged by, (n,)
    """

    shape: SplineShape
    trend: np.ndarray
    coefficients: np.ndarray
    exponents: tuple[int, int]
    residual: np.ndarray
    leverage: np.ndarray
    scale: np.ndarray

    def __call__(self, speed: np.ndarray, torque: np.ndarray) -> np.ndarray:
        """Return the surface at points, (n,)."""
        smooth = self.shape.basis(speed, torque) @ self.coefficients
        value: np.ndarray = self.shape.trend(speed, torque) @ self.trend + smooth
        return value

    @property
    def left_out_residual(self) -> np.ndarray:
        """Point minus the surface made without it, (n,); NaN where it stands alone.

        Exact for a given smoothing, since the surface is linear in the values:
        residual / (1 - leverage).
        """
        rest = 1.0 - self.leverage
        return np.where(rest > ALONE, self.residual / np.maximum(rest, ALONE), np.nan)


def uniform_basis(x: np.ndarray, pieces: int) -> np.ndarray:
    """Return cubic B-splines on `pieces` equal steps of 0 to 1, (n, pieces + 3)."""
    knots = np.arange(-3, pieces + 4) / pieces
    basis: np.ndarray = BSpline.design_matrix(np.clip(x, 0.0, 1.0), knots, 3).toarray()
    return basis


def _products(one: np.ndarray, two: np.ndarray) -> np.ndarray:
    """Return all products of the columns of two matrices, row by row."""
    products: np.ndarray = khatri_rao(one.T, two.T).T
    return products


def is_determined(shape: SplineShape, speed: np.ndarray, torque: np.ndarray) -> bool:
    """Return whether points fix the polynomials that no penalty touches."""
    trend = shape.trend(speed, torque)
    sizes = np.linalg.svd(trend, compute_uv=False)
    return bool(sizes.size == trend.shape[1] and sizes[-1] > 1e-6 * sizes[0])


def fit_surface(
    shape: SplineShape,
    speed: np.ndarray,
    torque: np.ndarray,
    value: np.ndarray,
    exponents: tuple[int, int] | None = None,
) -> FittedSurface:
    """Fit a surface by penalised least squares, each point weighted by its own size.

    Parameters
    ----------
    shape
        Domain, splines and penalties; the points must fix its polynomials
        (:func:`is_determined`).
    speed, torque, value
        Points, (n,).
    exponents
        Of the smoothing; None takes the smoothest that predicts points left out (nearly) best.

    Returns
    -------
    FittedSurface
        Residuals count in parts of |value| + a tenth of the mean |value|, as instruments are off
        by parts of the reading and of the range (common practice, no source).

    Raises
    ------
    InputError
        Values differ so much that no surface can be computed.
    """
    equations = _NormalEquations(shape, speed, torque, value)
    if exponents is None:
        tried = {pair: equations.score(pair) for pair in product(COARSE, COARSE)}
        i, j = min(tried, key=lambda pair: tried[pair])
        near = set(product(range(i - 1, i + 2), range(j - 1, j + 2))) - tried.keys()
        tried |= {pair: equations.score(pair) for pair in near}
        limit = NEARLY_BEST * min(tried.values()) + ROUNDING
        exponents = max((sum(pair), pair) for pair in tried if tried[pair] <= limit)[1]
    return equations.solve(exponents)


class _NormalEquations:
    """The normal equations; the trend is taken out first, so that it comes back to rounding."""

    def __init__(
        self, shape: SplineShape, speed: np.ndarray, torque: np.ndarray, value: np.ndarray
    ):
        size = np.abs(value)
        self.shape = shape
        self.scale = size + 0.1 * max(float(size.mean()), 1e-300)
        trend = shape.trend(speed, torque)
        weight = 1.0 / self.scale
        self.trend = np.linalg.lstsq(trend * weight[:, None], value * weight, rcond=None)[0]
        self.rest = (value - trend @ self.trend) * weight
        self.rows = shape.basis(speed, torque) * weight[:, None]
        self.gram = self.rows.T @ self.rows
        self.penalties = shape.penalties()
        self.unit = float(np.trace(self.gram)) / self.gram.shape[0]

    def solve(self, exponents: tuple[int, int]) -> FittedSurface:
        """Return the fit at some smoothing."""
        one, two = (self.unit * 10.0**exponent for exponent in exponents)
        matrix = self.gram + one * self.penalties[0] + two * self.penalties[1]
        wanted = np.column_stack((self.rows.T @ self.rest, self.rows.T))
        try:
            answer = np.linalg.solve(matrix, wanted)
        except np.linalg.LinAlgError:
            raise InputError(
                "values that differ by many powers of ten fix no surface; mend or remove the "
                "points that are far too large or small"
            ) from None
        coefficients = answer[:, 0]
        leverage = np.einsum("ij,ji->i", self.rows, answer[:, 1:])
        residual = (self.rest - self.rows @ coefficients) * self.scale
        leverage = np.clip(leverage, 0.0, 1.0)
        return FittedSurface(
            self.shape, self.trend, coefficients, exponents, residual, leverage, self.scale
        )

    def score(self, exponents: tuple[int, int]) -> float:
        """Return the mean square of points left out, with far ones cut off at three sigmas."""
        fit = self.solve(exponents)
        error = fit.left_out_residual / fit.scale
        error = np.abs(np.where(np.isnan(error), 1.0, error))  # alone: nothing is predicted
        return float(np.mean(np.minimum(error, 3.0 * SIGMA * np.median(error)) ** 2))
