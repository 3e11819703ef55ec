"""What two channels that measure one thing have to do with each other: factor, sign, offset."""

from collections.abc import Iterable

import numpy as np

from .recording import Recording
from .units import MILE

FACTORS = {
    1e3: "1000, as between kW and W",
    1e-3: "0.001, as between W and kW",
    3.6: "3.6, as between g/s and kg/h or l/h and ml/s",
    1 / 3.6: "1/3.6, as between kg/h and g/s",
    1e3 / 3.6: "278, as between g/s and kg/h or l/h taken for each other without 1000",
    4.8: "about 4.8, as between l/h and g/s of petrol",
    1 / 4.8: "about 1/4.8, as between g/s and l/h of petrol",
    9.549: "9.55, as between rad/s and rpm",
    1 / 9.549: "1/9.55, as between rpm and rad/s",
    MILE / 1e3: "1.609, as between mph and km/h",
    1e3 / MILE: "1/1.609, as between km/h and mph",
    100.0: "100, as between % and 1",
    0.01: "0.01, as between 1 and %",
}
"""What a factor between two channels that measure one thing may mean."""


POWERS = (1e3, 1e-3)
"""What is left of them between two electric powers."""


def explain(factor: float, near: float = 0.12, among: Iterable[float] = FACTORS) -> str:
    """Return what a factor may mean, the nearest meaning; "" where nothing is known of it."""
    away = {abs(abs(factor) / known - 1.0): FACTORS[known] for known in among}
    return f" ({away[min(away)]})" if min(away) < near else ""


def turned(recording: Recording, name: str) -> str:
    """Return how the user turns a channel's sign."""
    choice = recording.choices.get(name)
    if choice is None:
        return f"turn the sign of {name}"
    unit = choice.unit.sign if choice.unit else "1"
    turned = unit[1:] if unit.startswith("-") else f"-{unit}"
    return f"turn it with --channel {name}={choice.column.name}:{turned}"


def fitted_line(x: np.ndarray, y: np.ndarray) -> tuple[float, float, float]:
    """Return slope, offset and correlation of y over x by least squares, outliers left out once."""
    for _ in range(2):
        if x.size < 3 or np.ptp(x) == 0.0 or np.ptp(y) == 0.0:
            return 0.0, 0.0, 0.0
        dx, dy = x - x.mean(), y - y.mean()
        slope = float(dx @ dy / (dx @ dx))
        offset = float(y.mean() - slope * x.mean())
        correlation = float(dx @ dy / np.sqrt((dx @ dx) * (dy @ dy)))
        rest = np.abs(y - offset - slope * x)
        kept = rest <= 4.0 * np.median(rest) + 1e-12 * np.abs(y).max()
        x, y = x[kept], y[kept]
    return slope, offset, correlation


def all_known(*series: np.ndarray) -> np.ndarray:
    """Mark where all series are known."""
    known: np.ndarray = np.all([np.isfinite(one) for one in series], axis=0)
    return known


def rms(values: np.ndarray) -> float:
    """Return the root mean square."""
    return float(np.sqrt(np.mean(values**2)))
