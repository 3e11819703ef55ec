"""Parameters of a study and the values they take: listed, evenly spaced, or sampled."""

import itertools
import json
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from ..base.errors import InputError
from ..inputs.fields import Place, refuse_unknown, shown

Value = float | bool | str | tuple[float, ...]
RANGE_KEYS = {"low", "high", "count", "spacing"}
SPACINGS = ("even", "log")
MAX_VARIANTS = 10_000_000


@dataclass(frozen=True, kw_only=True)
class Parameter:
    """One quantity that a study varies.

    Attributes
    ----------
    path
        "driveline", "settings.KEY", "scale.PART", or table and key of a driveline file.
    values
        What it takes, in the unit of its key; empty where the range is sampled.
    low, high
        Ends of a sampled range.
    log
        Whether the range is sampled evenly in the logarithm.
    """

    path: str
    values: tuple[Value, ...] = ()
    low: float = math.nan
    high: float = math.nan
    log: bool = False

    @property
    def sampled(self) -> bool:
        """Whether the values come from Latin hypercube samples."""
        return not self.values

    @property
    def numeric(self) -> bool:
        """Whether all values are numbers."""
        return all(is_number(value) for value in self.values)

    @property
    def examples(self) -> tuple[Value, ...]:
        """Values that must be allowed: all of them, or the ends of the range."""
        return self.values or (self.low, self.high)

    def at(self, share: np.ndarray) -> np.ndarray:
        """Return the values at shares 0 to 1 of the range."""
        if self.log:
            return np.exp(math.log(self.low) + share * math.log(self.high / self.low))
        return np.asarray(self.low + share * (self.high - self.low))


def is_number(value: Any) -> bool:
    """Return whether a value is a number, and no truth value."""
    return isinstance(value, int | float) and not isinstance(value, bool)


def label(value: Value) -> str:
    """Return a value as tables and plots show it."""
    if is_number(value):
        return f"{value:.6g}"
    return value if isinstance(value, str) else json.dumps(value)


def read_parameter(path: str, raw: Any, place: Place) -> Parameter:
    """Read a list of values, or a table with `low`, `high` and, for a grid, `count`.

    Raises
    ------
    InputError
        It is neither, a value is there twice, or the range is empty.
    """
    if isinstance(raw, list):
        return Parameter(path=path, values=_listed(path, raw, place))
    if not isinstance(raw, dict):
        raise place.error(
            path,
            f"is {shown(raw)}; write a list of values, or a range such as "
            "{low = 1, high = 2, count = 5}",
        )
    refuse_unknown(raw, RANGE_KEYS, Place(place.file, f"{place.table}.{path}"))
    low, high = (_end(path, key, raw, place) for key in ("low", "high"))
    spacing = raw.get("spacing", "even")
    if spacing not in SPACINGS:
        raise place.error(path, f"spacing is {shown(spacing)}; write {' or '.join(SPACINGS)}")
    if not low < high or (spacing == "log" and low <= 0.0):
        least = "above 0 and below" if spacing == "log" else "below"
        raise place.error(path, f"low is {low:g} and high {high:g}; low must be {least} high")
    sampled = Parameter(path=path, low=low, high=high, log=spacing == "log")
    if "count" not in raw:
        return sampled
    count = raw["count"]
    if not isinstance(count, int) or not 2 <= count <= MAX_VARIANTS:
        raise place.error(path, f"count is {shown(count)}; write a whole number from 2 on")
    spread = sampled.at(np.linspace(0.0, 1.0, count))
    spread[0], spread[-1] = low, high
    return Parameter(path=path, values=tuple(float(f"{value:.12g}") for value in spread))


def _listed(path: str, raw: list[Any], place: Place) -> tuple[Value, ...]:
    values = tuple(_value(path, item, place) for item in raw)
    if not values:
        raise place.error(path, "has no values; list one or more")
    for i, value in enumerate(values):
        if value in values[:i]:
            raise place.error(path, f"has {shown(raw[i])} twice; list each value once")
    return values


def _value(path: str, raw: Any, place: Place) -> Value:
    if isinstance(raw, bool | str):
        return raw
    if isinstance(raw, list) and raw and all(is_finite(item) for item in raw):
        return tuple(float(item) for item in raw)
    if is_finite(raw):
        return float(raw)
    raise place.error(path, f"holds {shown(raw)}; write finite numbers, words, true or false")


def is_finite(raw: Any) -> bool:
    """Return whether a value of a file is a finite number."""
    return is_number(raw) and abs(raw) < 1e300


def _end(path: str, key: str, raw: dict[str, Any], place: Place) -> float:
    if not is_finite(raw.get(key)):
        raise place.error(path, f"{key} is {shown(raw.get(key))}; write a finite number")
    return float(raw[key])


def variant_values(
    parameters: Sequence[Parameter], counts: Sequence[int], seed: int
) -> list[tuple[Value, ...]]:
    """Return the values of all variants, in the order of the parameters.

    Parameters
    ----------
    parameters
        Those with values make a full grid; those with a range only are sampled together, and every
        sample is taken at each point of the grid.
    counts
        Sizes of the Latin hypercube designs, drawn one after the other from the same random
        numbers, so that a further design leaves the earlier ones as they are.
    seed
        Of the random numbers.

    Raises
    ------
    InputError
        There would be more than :data:`MAX_VARIANTS`.
    """
    listed = [p for p in parameters if not p.sampled]
    sampled = [p for p in parameters if p.sampled]
    samples = _latin_hypercube(sampled, counts, seed) if sampled else [()]
    total = math.prod(len(p.values) for p in listed) * len(samples)
    if total > MAX_VARIANTS:
        raise InputError(f"the study has {total} variants; at most {MAX_VARIANTS} can be run")
    places = [p.path for p in (*listed, *sampled)]
    order = [places.index(p.path) for p in parameters]
    grid = itertools.product(*(p.values for p in listed))
    rows = ((*point, *sample) for point in grid for sample in samples)
    return [tuple(row[i] for i in order) for row in rows]


def _latin_hypercube(
    parameters: Sequence[Parameter], counts: Sequence[int], seed: int
) -> list[tuple[float, ...]]:
    """Return rows of values; one value of each parameter in each of `count` equal intervals."""
    from scipy.stats import qmc

    sampler = qmc.LatinHypercube(len(parameters), rng=np.random.default_rng(seed))
    shares = np.vstack([sampler.random(count) for count in counts])
    columns = [p.at(shares[:, i]) for i, p in enumerate(parameters)]
    return [tuple(row) for row in np.column_stack(columns).tolist()]
