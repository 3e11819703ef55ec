"""Rows of a regression gathered from several recordings."""

from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from types import MappingProxyType
from typing import NamedTuple

import numpy as np

from .regression import Fit, Prior, regress
from .signals import Signals


class Rows(NamedTuple):
    """Regressors by parameter and what they explain, of one recording, and which samples count.

    Instruments, by parameter, as :func:`.regression.regress` has them.
    """

    columns: Mapping[str, np.ndarray]
    wanted: np.ndarray
    where: np.ndarray
    instruments: Mapping[str, np.ndarray] = MappingProxyType({})


class Gathered(NamedTuple):
    """A fit over recordings, and the seconds of data behind it."""

    fit: Fit
    seconds: float


def fit_rows(
    signals: Iterable[Signals],
    make: Callable[[Signals], Rows | None],
    prior: Prior | None = None,
    least: float = 20.0,
    needed: Collection[str] = (),
) -> Gathered | None:
    """Fit the rows of all recordings together.

    Parameters
    ----------
    signals
        The recordings.
    make
        Makes the rows of one; None where it lacks a channel.
    prior
        See :func:`.regression.regress`.
    least
        s of data below which nothing is told.
    needed
        Parameters without which the fit is of no use: one whose regressor is 0 drops out of it.

    Returns
    -------
    Gathered
        None where the data do not suffice.
    """
    made = [(one, rows) for one in signals if (rows := make(one)) is not None]
    return fit_made(made, prior, least, needed)


def fit_made(
    parts: Sequence[tuple[Signals, Rows]],
    prior: Prior | None = None,
    least: float = 20.0,
    needed: Collection[str] = (),
) -> Gathered | None:
    """Fit rows that are made already; parameters as :func:`fit_rows`."""
    names = list(dict.fromkeys(name for _, rows in parts for name in rows.columns))
    seconds = sum(float(rows.where.sum()) * one.dt for one, rows in parts)
    if not names or seconds < least:
        return None

    zeros = np.zeros(0)

    def joined(name: str, second: bool) -> np.ndarray:
        pieces = []
        for _, rows in parts:
            values = rows.columns.get(name, np.zeros_like(rows.wanted))
            values = rows.instruments.get(name, values) if second else values
            pieces.append(values[rows.where])
        return np.concatenate([zeros, *pieces])

    wanted = np.concatenate([rows.wanted[rows.where] for _, rows in parts])
    clock = np.concatenate([one.clock[rows.where] for one, rows in parts])
    columns, instruments = ({name: joined(name, two) for name in names} for two in (False, True))
    fit = regress(columns, wanted, clock, prior or {}, instruments)
    return None if fit is None or not set(needed) <= set(fit.names) else Gathered(fit, seconds)
