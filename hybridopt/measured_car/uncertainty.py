"""How far a gap is known: parameters and noise drawn, the log read and solved again with each."""

import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from ..base.errors import InfeasibleError, InputError
from ..base.progress import Progress, silent
from ..controllers.builtin import Playback
from ..evaluation.case import Case, score
from ..inputs.driveline import Driveline
from ..measurements.recording import Recording
from ..pipeline import find_optimum
from ..problem.settings import Settings
from .alignment import aligned
from .as_driven import as_driven
from .channel_noise import COARSE
from .parameters import with_values
from .regression import NORMAL
from .repeated import repeated
from .replayed import NAME, replay_car
from .step_samples import one_a_step

Intervals = Mapping[str, tuple[float, float, float]]
"""Value, lower and upper end of the 95 % interval of parameters, by key of the driveline file."""
DRAWS, SEED = 20, 1
COARSE_POINTS, COARSE_SPLITS = 101, 9
READING, READING_SHARE = 0.15, 0.03
"""Points and share of the gap, standard deviations of what a reading is off beside the noise of its
samples, as by speeds next to rest and steps that are not those of the car (by trial on logs of
known cars without noise: 0.05 to 0.6 points, 0.7 to 1.5 % of the gap)."""
READING_SLOW, READING_COARSE = 0.7, 3.5
"""Points, the same of a log that is taken apart into steps of its own (by trial), and points per s
between samples of one whose samples tell neither these nor delays (by trial: root mean square of 12
logs each, 3.5 points at 1 s and 1.3 at 0.5 s)."""
BAND = (5.0, 50.0, 95.0)  # %, quantiles


@dataclass(frozen=True, eq=False)
class GapBand:
    """The gap of a car's strategy under uncertain parameters.

    Attributes
    ----------
    low, median, high : % of the bound, 5 %, 50 % and 95 % of the draws
    gaps : % of the bound, of each draw that could be driven
    draws : how many were tried
    parameters : keys of those that were drawn
    """

    low: float
    median: float
    high: float
    gaps: np.ndarray
    draws: int
    parameters: tuple[str, ...]


def gap_band(
    recording: Recording,
    driveline: Driveline,
    settings: Settings | None,
    intervals: Intervals,
    gap: float,
    draws: int = DRAWS,
    progress: Progress = silent,
) -> GapBand:
    """Return the band of a gap whose model has uncertain parameters.

    Parameters
    ----------
    recording, driveline, settings
        As for :func:`.assess.assess`.
    intervals
        By key of the driveline file, in the unit of the key: value and 95 % interval.
    gap
        % of the bound, of the values themselves on a fine grid.
    draws
        Sets of parameters, each of which takes a solve on a coarse grid.
    progress
        Called with the share done, 0 to 1.

    Raises
    ------
    InputError
        A key is none of the driveline, an interval is none, or no draw can be driven.

    Notes
    -----
    Each parameter is drawn by itself from a normal distribution of its interval, a wider side
    with the wider half; what the parameters have in common is left out, which widens the band. The
    log gets as much noise more as it has (:mod:`.repeated`), and is put in time and read again. By
    how far that moves the gap on a coarse grid, by so much is the first reading taken to be off the
    truth, in the same direction: noise makes most strategies look worse than they are (the basic
    bootstrap: A. Davison, D. Hinkley, *Bootstrap Methods and their Application*, Cambridge, 1997,
    from memory). To each draw comes :data:`READING`, and of slow logs :data:`READING_SLOW` or
    :data:`READING_COARSE`. A log that is taken apart gets no noise more: what changes between its
    samples is the drive, not noise, so that :data:`READING_SLOW` holds all.
    """
    _check(intervals)
    coarse = dataclasses.replace(
        settings or Settings(), soc_points=COARSE_POINTS, splits=COARSE_SPLITS
    )
    random, gaps = np.random.default_rng(SEED), []
    middle = _gap(recording, driveline, coarse)
    slow = READING_COARSE * recording.step if recording.step > COARSE else 0.0
    apart = one_a_step(recording)
    if apart:
        slow = READING_SLOW
    reading = float(np.linalg.norm((READING, READING_SHARE * gap, slow)))
    for number in range(draws):
        values = {key: _draw(random, *interval) for key, interval in intervals.items()}
        try:
            model = with_values(driveline, values)
            again = recording if apart else aligned(repeated(recording, random), model)[0]
            moved = _gap(again, model, coarse) - middle
            gaps.append(gap - moved + reading * float(random.standard_normal()))
        except (InfeasibleError, InputError):
            pass  # beyond what the drive can be driven with
        progress((number + 1) / draws)
    if not gaps:
        raise InputError("uncertainty: no draw of the parameters can drive this log; narrow them")
    low, median, high = np.percentile(gaps, BAND)
    found = np.array(gaps)
    return GapBand(float(low), float(median), float(high), found, draws, tuple(intervals))


def _check(intervals: Intervals) -> None:
    for key, (value, low, high) in intervals.items():
        if not low <= value <= high or not np.isfinite([low, high]).all():
            raise InputError(
                f"uncertainty of {key}: {value:g} with {low:g} to {high:g} is no interval; give "
                "value, lower and upper end"
            )


def _draw(random: np.random.Generator, value: float, low: float, high: float) -> float:
    away = float(random.standard_normal()) / NORMAL
    return value + away * (high - value if away > 0.0 else value - low)


def _gap(recording: Recording, driveline: Driveline, settings: Settings) -> float:
    driven = as_driven(recording, driveline, settings)
    replayed = replay_car(recording, driven)
    known = find_optimum(
        replayed.cycle(driven.cycle), driven.driveline, replayed.settings, keep_value=False
    )
    playback = Playback(schedule=replayed.decisions.schedule)
    return score(Case(known), NAME, playback, moments=None).gap_percent
