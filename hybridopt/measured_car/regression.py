"""Robust least squares with intervals that stay honest where noise is correlated in time.

Residuals of a log are no independent draws: a speed in whole km/h stays wrong by the same amount
for seconds. So the variance of the estimates comes from sums over blocks of time (a cluster-robust
sandwich): blocks are nearly independent where they are longer than the noise remembers. Of several
lengths of block the one that gives the widest interval counts.

References
----------
Huber, *Robust Statistics*, 1981, ch. 7, DOI 10.1002/0471725250 (weights, from memory).
Cameron, Miller, *A Practitioner's Guide to Cluster-Robust Inference*, 2015, DOI
10.3368/jhr.50.2.317 (sandwich, and Student's t with the number of clusters less one; from memory).
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from scipy.special import stdtrit

BLOCKS = (5.0, 10.0, 20.0, 40.0, 80.0, 160.0)  # s
LEAST_BLOCKS = 8
HUBER = 2.0  # robust standard deviations within which a residual counts in full
ROUNDS = 30
LEVEL = 0.95
NORMAL = 1.959964  # half-width of a 95 % interval over the standard deviation
TO_SIGMA = 1.4826  # standard deviation over median absolute deviation of a normal distribution

Prior = Mapping[str, tuple[float, float]]


def student_quantile(freedom: int) -> float:
    """Return Student's t of the level; `scipy.stats` would take a second to import."""
    return float(stdtrit(freedom, 0.5 * (1.0 + LEVEL)))


@dataclass(frozen=True, eq=False)
class Fit:
    """Estimates of a linear regression.

    Attributes
    ----------
    names : of the parameters
    values : estimates, (p,)
    covariance : of the estimates, (p, p)
    freedom : degrees of freedom of Student's t
    rows : number of observations
    residual : observed less fitted, (rows,)
    """

    names: tuple[str, ...]
    values: np.ndarray
    covariance: np.ndarray
    freedom: int
    rows: int
    residual: np.ndarray

    def __getitem__(self, name: str) -> float:
        return float(self.values[self.names.index(name)])

    def error(self, name: str) -> float:
        """Return the standard error of a parameter."""
        at = self.names.index(name)
        return float(np.sqrt(max(self.covariance[at, at], 0.0)))

    def half_width(self, name: str) -> float:
        """Return half the width of the 95 % interval of a parameter."""
        return self.error(name) * self.quantile

    @property
    def quantile(self) -> float:
        """Student's t of the level."""
        return student_quantile(self.freedom)

    def ratio(self, above: str, below: str) -> tuple[float, float]:
        """Return the ratio of two parameters and half the width of its interval (delta method)."""
        i, j = self.names.index(above), self.names.index(below)
        value = float(self.values[i] / self.values[j])
        slope = np.zeros(self.values.size)
        slope[i], slope[j] = 1.0 / self.values[j], -value / self.values[j]
        spread = float(np.sqrt(max(slope @ self.covariance @ slope, 0.0)))
        return value, spread * self.quantile


def regress(
    columns: Mapping[str, np.ndarray],
    wanted: np.ndarray,
    clock: np.ndarray,
    prior: Prior,
    instruments: Mapping[str, np.ndarray] | None = None,
) -> Fit | None:
    """Fit a linear model with Huber's weights.

    Parameters
    ----------
    columns
        Regressors by the name of their parameter, (rows,) each.
    wanted
        What they shall explain, (rows,).
    clock
        s, of each row; rows of different logs lie far apart.
    prior
        Mean and standard deviation of parameters that something else tells.
    instruments
        For a regressor that is noisy itself, the same thing from another sensor. Noise in a
        regressor pulls its coefficient to zero; a second sensor, whose noise is its own, does not.

    Returns
    -------
    Fit
        None where the rows cannot tell the parameters apart.
    """
    used = {name: column for name, column in columns.items() if np.any(column != 0.0)}
    names = tuple(used)
    if not names or wanted.size < 4 * len(names):
        return None
    x = np.column_stack([used[name] for name in names])
    z = np.column_stack([(instruments or {}).get(name, used[name]) for name in names])
    size = np.sqrt(np.mean(x**2, axis=0))
    x, z = x / size, z / size
    mean = np.array([prior[name][0] if name in prior else 0.0 for name in names]) * size
    spread = np.array([prior[name][1] if name in prior else np.inf for name in names]) * size
    known = np.diag(1.0 / spread**2)
    dilution = 1.0
    for _ in range(2):  # with and then without the illusion that rows are independent
        values, weight, scale = _robust(x, z, wanted, known @ mean, known, dilution)
        if values is None:
            return None
        score = z * (weight * (wanted - x @ values) / scale**2)[:, None]
        inverse = np.linalg.pinv((z * weight[:, None]).T @ x / scale**2 + known)
        meat, freedom = _sandwich(inverse, score, clock)
        if dilution > 1.0:
            break
        naive = np.diag(np.linalg.pinv((z * weight[:, None]).T @ z / scale**2))
        blocked = np.diag(inverse @ meat @ inverse.T)
        longer = blocked / np.maximum(naive, 1e-300)
        # of what is known beside; more than all rows is a variance lost in rounding
        told = np.isfinite(spread) & (longer < wanted.size)
        dilution = max([1.0, *longer[told].tolist()])
    bread = np.linalg.pinv((z * weight[:, None]).T @ x / (scale**2 * dilution) + known)
    covariance = bread @ (meat / dilution**2 + known) @ bread.T
    residual = wanted - x @ values
    scaled = covariance / np.outer(size, size)
    return Fit(names, values / size, scaled, freedom, wanted.size, residual)


def _robust(
    x: np.ndarray,
    z: np.ndarray,
    y: np.ndarray,
    pull: np.ndarray,
    known: np.ndarray,
    dilution: float,
) -> tuple[np.ndarray | None, np.ndarray, float]:
    """Return estimates, weights of the rows and the robust scale of the residuals."""
    weight, scale = np.ones(y.size), max(float(np.std(y)), 1e-12)
    values = np.zeros(x.shape[1])
    for _ in range(ROUNDS):
        share = weight / (scale**2 * dilution)
        normal = (z * share[:, None]).T @ x + known
        if np.linalg.cond(normal) > 1e13:
            return None, weight, scale
        new = np.linalg.solve(normal, z.T @ (share * y) + pull)
        residual = y - x @ new
        scale = max(TO_SIGMA * float(np.median(np.abs(residual))), 1e-6 * float(np.std(y)), 1e-12)
        weight = np.minimum(1.0, HUBER * scale / np.maximum(np.abs(residual), 1e-300))
        if np.allclose(new, values, rtol=1e-8, atol=1e-12):
            break
        values = new
    return new, weight, scale


def _sandwich(inverse: np.ndarray, score: np.ndarray, clock: np.ndarray) -> tuple[np.ndarray, int]:
    """Return the middle of the sandwich of scores by row, and its degrees of freedom."""
    best: tuple[float, np.ndarray, int] | None = None
    for length in BLOCKS:
        block = np.unique(np.floor(clock / length), return_inverse=True)[1]
        count = int(block.max()) + 1
        if best is not None and count < max(LEAST_BLOCKS, score.shape[1] + 2):
            break
        sums = np.column_stack([np.bincount(block, column) for column in score.T])
        sums = sums - sums.mean(axis=0)
        meat = sums.T @ sums * count / max(count - 1, 1)
        freedom = max(count - 1, 1)
        wide = student_quantile(freedom) ** 2
        width = float(np.trace(inverse @ meat @ inverse.T)) * wide
        if best is None or width > best[0]:
            best = (width, meat, freedom)
    assert best is not None
    return best[1], best[2]
