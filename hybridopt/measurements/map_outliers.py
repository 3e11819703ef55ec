"""Points that do not fit in with the others: taken away one by one, the worst first."""

import numpy as np

from .map_spline import SIGMA, SplineShape, fit_surface, is_determined

FAR = 4.5  # sigmas beyond which a point looks like an outlier
SMALL = 0.01  # part of a point's scale that is never an outlier
MAX_SHARE = 0.1  # part of the points that may be outliers
GROUP, MAX_GROUPS = 40, 6  # points whose error is taken together; most groups of such


def find_outliers(
    shape: SplineShape, speed: np.ndarray, torque: np.ndarray, value: np.ndarray
) -> np.ndarray:
    """Return the index of points far from the surface that the others make.

    A far point pulls the surface and makes its neighbours look wrong, so the worst is taken away
    and the rest judged again; in the end those taken away are judged by the surface of the rest.

    Parameters
    ----------
    shape, speed, torque, value
        As in :func:`.spline.fit_surface`.

    Returns
    -------
    ndarray of int
        In increasing order; at most a tenth of the points.

    Notes
    -----
    Residuals are divided by their own standard deviation, sigma sqrt(1 - leverage), with sigma
    from the median: Rousseeuw, Leroy, *Robust Regression and Outlier Detection*, Wiley, 1987, DOI
    10.1002/0471725382.
    Sigma follows the size of the value, see :func:`_sigma`. A point that the surface must follow,
    such as a corner of the hull, cannot be distinguished from the others.
    """
    kept = np.arange(speed.size)
    exponents = fit_surface(shape, speed, torque, value).exponents
    removed: list[int] = []
    while True:
        fit = fit_surface(shape, speed[kept], torque[kept], value[kept], exponents)
        error = np.abs(fit.residual) / np.sqrt(np.maximum(1.0 - fit.leverage, 1e-7))
        smooth = value[kept] - fit.residual
        alone = np.isnan(fit.left_out_residual)
        sigma = _sigma(error, smooth, fit.scale, smooth, fit.scale)
        far = np.where(alone, 0.0, error / np.maximum(sigma, 1e-300))
        far[np.abs(np.nan_to_num(fit.left_out_residual)) <= SMALL * fit.scale] = 0.0
        worst = int(np.argmax(far))
        rest = np.delete(kept, worst)
        done = far[worst] <= FAR or len(removed) >= int(MAX_SHARE * speed.size)
        if done or not is_determined(shape, speed[rest], torque[rest]):
            break
        removed.append(int(kept[worst]))
        kept = rest
    away = np.array(sorted(removed), dtype=np.int64)
    if not removed:
        return away
    expected = fit(speed[away], torque[away])
    scale = np.abs(expected) + 0.1 * np.abs(value).mean()
    sigma = _sigma(error, smooth, fit.scale, expected, scale)
    limit = np.maximum(FAR * sigma, SMALL * scale)
    still: np.ndarray = away[np.abs(value[away] - expected) > limit]
    return still


def _sigma(
    error: np.ndarray,
    size: np.ndarray,
    scale: np.ndarray,
    asked: np.ndarray,
    asked_scale: np.ndarray,
) -> np.ndarray:
    """Return the standard deviation of errors at sizes asked for.

    From the median of the absolute error in groups of equally many points of like size, linear
    between the groups: errors may be of one size, a part of the value, or both. The median of
    the error in parts of the scale is another estimate; the larger one counts.
    """
    groups = max(min(size.size // GROUP, MAX_GROUPS), 1)
    parts = np.array_split(np.argsort(np.abs(size), kind="stable"), groups)
    places = [float(np.median(np.abs(size[part]))) for part in parts]
    plain, relative = (
        np.interp(np.abs(asked), places, [SIGMA * float(np.median(x[part])) for part in parts])
        for x in (error, error / scale)
    )
    larger: np.ndarray = np.maximum(plain, relative * asked_scale)
    return larger
