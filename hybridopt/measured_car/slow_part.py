"""What of a series over steps changes slowly."""

import numpy as np
from scipy.ndimage import gaussian_filter1d

SLOW = 10.0  # s


def slow_part(
    values: np.ndarray, where: np.ndarray, dt: np.ndarray, over: float = SLOW
) -> np.ndarray:
    """Return the local mean of values over the steps marked, (steps,).

    Parameters
    ----------
    values
        Of each step.
    where
        Which steps count.
    dt
        s, their lengths.
    over
        s, standard deviation of the local mean.
    """
    use = where * dt
    width = over / float(np.median(dt))
    weight = gaussian_filter1d(use, width)
    return np.asarray(gaussian_filter1d(use * values, width) / np.maximum(weight, 1e-9))
