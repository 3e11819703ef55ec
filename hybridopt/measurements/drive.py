"""A drive made of a log: all stages of the import in order. Read this first."""

import contextlib
from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from ..base.errors import InputError
from ..base.units import KM_PER_H
from ..inputs.cycle import Cycle
from ..inputs.cycle_slips import warn_slips
from .channels import SIGNALS, ChosenColumn, ColumnRequest, choose_channels
from .grade_choice import choose_grade
from .log import Intervention, Journal, Log, Samples, printable
from .log_files import open_log
from .parts import LogPart, choose_part, cut_at_gaps, drop_scraps
from .refreshes import coarse_step, one_a_refresh
from .resampling import MAX_POINTS, low_pass, resample_speed
from .speed_cleaning import SLACK, drop_impossible, remove_spikes, still, turn_forward
from .stamps import order_stamps
from .tractive_energy import tractive_energy

COARSE_CUT = 0.32  # of the sampling rate, low-pass of speeds in coarse steps
SLOW_STEP, SLOW_CHANGE = 10.0, 0.05  # s, m/s2: no drive changes its speed so slowly throughout


@dataclass(frozen=True, kw_only=True)
class Cleaning:
    """How a log is cleaned, in SI.

    Parameters
    ----------
    jitter
        s, backward steps of time up to this are sorted; longer ones are resets of the clock.
    bridge
        s, longest gap or spike closed by a straight line; longer gaps cut the log.
    gain_max, loss_max
        m/s2, largest physical gain and loss of speed (common practice for road tyres, no
        source).
    standstill
        m/s, smaller speeds are noise at rest.
    bandwidth
        Hz, of the low-pass; 0 leaves it out.
    step
        s, of the cycle made.
    grade_length
        m of road over which altitude is smoothed.
    part
        Which part of a log with gaps: its number, `longest`, or "" where there is only one.

    Raises
    ------
    InputError
        A value is out of range.
    """

    jitter: float = 2.0
    bridge: float = 3.0
    gain_max: float = 6.0
    loss_max: float = 11.0
    standstill: float = 0.5 * KM_PER_H
    bandwidth: float = 0.5
    step: float = 1.0
    grade_length: float = 200.0
    part: str = ""

    def __post_init__(self) -> None:
        """Check each value on its own."""
        limits = {
            "jitter": (0.0, 3600.0),
            "bridge": (0.0, 3600.0),
            "gain_max": (0.1, 1000.0),
            "loss_max": (0.1, 1000.0),
            "standstill": (0.0, 5.0),
            "bandwidth": (0.0, 1000.0),
            "step": (0.01, 60.0),
            "grade_length": (1.0, 10_000.0),
        }
        for name, (low, high) in limits.items():
            if not low <= getattr(self, name) <= high:
                raise InputError(
                    f"cleaning: {name} is {getattr(self, name)!r}; allowed is {low:g} to {high:g}"
                )


@dataclass(frozen=True, eq=False)
class ImportedDrive:
    """A cycle made from a log, and how.

    Attributes
    ----------
    cycle : the drive, its time from 0 s
    log : what was read
    choices : the column of each signal
    done : every intervention, in order
    raw : speed as logged in the chosen part (m/s, its time from 0 s), spikes and all
    cleaned : speed after cleaning, before low-pass and resampling
    begin : s, when the cycle begins, in the log's own time
    piece : index of the piece between resets of the log's clock in which it lies
    """

    cycle: Cycle
    log: Log
    choices: Mapping[str, ChosenColumn]
    done: tuple[Intervention, ...]
    raw: Samples
    cleaned: Samples
    begin: float = 0.0
    piece: int = 0


def import_drive(
    path: str | Path,
    channels: Mapping[str, tuple[ColumnRequest, str]] | None = None,
    cleaning: Cleaning | None = None,
) -> ImportedDrive:
    """Make a cycle from a log.

    Parameters
    ----------
    path
        CSV-like text or MDF 3/4.
    channels
        By signal, the column meant and who says so; the rest is found by usual names.
    cleaning
        The defaults fit a log of a road vehicle at 1 to 100 Hz.

    Returns
    -------
    ImportedDrive

    Raises
    ------
    InputError
        The log cannot be read, a column or unit is not known, or its data hold no drive that
        stands out from its faults; the message says which.

    Warns
    -----
    InputWarning
        A column of altitude or grade cannot be used or disagrees with the other, or the drive looks
        like a slip of units.
    """
    log, journal = open_log(Path(path)), Journal()
    choices = choose_channels(log, channels or {}, journal)
    logged = read_columns(log, choices, journal)
    return make_drive(log, choices, logged, cleaning or Cleaning(), journal)


def read_columns(
    log: Log, choices: Mapping[str, ChosenColumn], journal: Journal, optional: Collection[str] = ()
) -> dict[str, Samples]:
    """Return the samples of the columns chosen, by signal, as logged; see :meth:`.log.Log.read`."""
    time_unit = choices["time"].unit if "time" in choices else None
    columns = {signal: choice.column for signal, choice in choices.items()}
    return log.read(columns, time_unit.sign if time_unit else "", journal, optional)


def make_drive(
    log: Log,
    choices: Mapping[str, ChosenColumn],
    logged: Mapping[str, Samples],
    cleaning: Cleaning,
    journal: Journal,
) -> ImportedDrive:
    """Make a cycle of what was read of a log; see :func:`import_drive`."""
    path, first = log.path, logged["speed"].time[0]
    signals = {
        name: Samples(logged[name].time - first, _to_si(logged[name].values, choices[name]))
        for name in SIGNALS
        if name in logged
    }
    with _told_of(path):
        pieces = order_stamps(signals["speed"], cleaning.jitter, journal)
        part = _clean_and_choose(path, pieces, cleaning, journal)
        _refuse_long(path, part, cleaning.step)
        cleaned = still(part.speed, cleaning.standstill, journal)
        _refuse_slow_clock(path, cleaned)
        raw = pieces[part.piece]
        raw = raw.pick((raw.time >= part.speed.time[0]) & (raw.time <= part.speed.time[-1]))
        smooth = _smooth(cleaned, coarse_step(raw.values), cleaning, journal)
        made = resample_speed(cleaned, smooth, cleaning.step, cleaning.standstill)
        limits = (cleaning.jitter, cleaning.grade_length)
        grade, source = choose_grade(path, choices, signals, part.piece, made, limits, journal)
        begin = made.time[0]
        name = printable(path.stem) or "drive"
        cycle = Cycle(name, made.time - begin, made.values, grade, path.name, name)
    _note_resampling(raw, cleaned, smooth, cycle, cleaning, journal)
    warn_slips(str(path), cycle.time, cycle.speed, cycle.grade, choices["speed"].column.name)
    raw, cleaned = (Samples(s.time - begin, s.values) for s in (raw, cleaned))
    used = {name: one for name, one in choices.items() if name in ("time", "speed", source)}
    begin = float(first + begin)
    return ImportedDrive(cycle, log, used, tuple(journal), raw, cleaned, begin, part.piece)


@contextlib.contextmanager
def _told_of(path: Path) -> Iterator[None]:
    """Have every sentence about a log begin with its file."""
    try:
        yield
    except InputError as error:
        place = f"{path}: "
        raise InputError(*(place + x.removeprefix(place) for x in error.sentences)) from None


def _to_si(values: np.ndarray, choice: ChosenColumn) -> np.ndarray:
    return choice.unit.to_si(values) if choice.unit else values


def _clean_and_choose(
    path: Path, pieces: list[Samples], cleaning: Cleaning, journal: Journal
) -> LogPart:
    """Clean the speed between clock resets, cut it at gaps and jumps, and choose a part."""
    parts: list[LogPart] = []
    for number, piece in enumerate(pieces):
        speed = drop_impossible(piece, journal)
        if not speed.time.size:
            continue
        speed = one_a_refresh(turn_forward(speed, journal), journal)
        slack = max(SLACK, 1.5 * coarse_step(piece.values))
        limits = (cleaning.gain_max, cleaning.loss_max, cleaning.bridge, slack)
        for part in cut_at_gaps(number, speed, cleaning.bridge, cleaning.standstill, journal):
            parts += remove_spikes(part, *limits, journal)
    return choose_part(path, drop_scraps(parts, journal), cleaning.part, journal)


def _refuse_long(path: Path, part: LogPart, step: float) -> None:
    """Refuse a part that would be more points than a cycle may have: a wrong unit of time."""
    if part.duration > MAX_POINTS * step:
        raise InputError(
            f"{path}: lasts {part.duration:.4g} s, more than {MAX_POINTS} steps of {step:g} s; "
            "state the unit of time, or take longer steps"
        )


def _refuse_slow_clock(path: Path, speed: Samples) -> None:
    """Refuse a drive whose speed changes too slowly for its height: time in another unit."""
    begin, end = speed.time[[0, -1]]
    grid = np.linspace(begin, end, np.arange(begin, end + 1e-9, SLOW_STEP).size)
    change = np.abs(np.diff(np.interp(grid, speed.time, speed.values)) / np.diff(grid))
    if np.ptp(speed.values) > 5.0 and change.size and change.max() < SLOW_CHANGE:
        raise InputError(
            f"{path}: speed never changes by more than {change.max():.2g} m/s2; the unit of time "
            "is probably wrong, so state it, such as --channel time=NAME:ms"
        )


def _smooth(speed: Samples, coarse: float, cleaning: Cleaning, journal: Journal) -> Samples:
    """Return the speed without fast noise.

    A speed in steps of `coarse` m/s (0 where it is fine) that resampling would pass on as it is has
    its steps smoothed too: they count as work where a vehicle cruises.
    """
    raster, bandwidth = float(np.median(np.diff(speed.time))), cleaning.bandwidth
    if bandwidth <= 0.0:
        journal.note("low_pass", 0, "no low-pass")
        return speed
    steps = ""
    if coarse and raster >= 0.95 * cleaning.step and bandwidth > COARSE_CUT / raster:
        bandwidth = COARSE_CUT / raster
        steps = f", for speeds in steps of {coarse / KM_PER_H:.3g} km/h"
    if bandwidth * raster >= 0.45:
        text = f"no low-pass: samples {raster:.3g} s apart hold nothing above {bandwidth:g} Hz"
        journal.note("low_pass", 0, text)
        return speed
    text = f"low-pass at {bandwidth:.3g} Hz without phase shift, log at {1 / raster:.3g} Hz{steps}"
    journal.note("low_pass", 1, text)
    return low_pass(speed, bandwidth)


def _note_resampling(
    raw: Samples,
    cleaned: Samples,
    smooth: Samples,
    cycle: Cycle,
    cleaning: Cleaning,
    journal: Journal,
) -> None:
    """Note what was kept: distance and energy, and how the cycle begins and ends."""
    logged = drop_impossible(raw, Journal())
    drives = [logged, cleaned, smooth, Samples(cycle.time, cycle.speed)]
    far = [float(np.trapezoid(np.abs(one.values), one.time)) for one in drives]
    journal.note(
        "resampled",
        cycle.time.size,
        f"resampled to {cycle.time.size} points every {cleaning.step:g} s; distance "
        f"{far[1]:.1f} -> {far[3]:.1f} m (as logged {far[0]:.1f} m)",
    )
    energies = [f"{tractive_energy(one.time, one.values) / 1e6:.3f}" for one in drives]
    journal.note(
        "energy",
        0,
        "positive tractive energy of a car of 1.5 t on a flat road, as logged -> cleaned -> "
        f"low-passed -> resampled: {' -> '.join(energies)} MJ",
    )
    for word, speed in (("starts", cycle.speed[0]), ("ends", cycle.speed[-1])):
        if speed > 0.0:
            text = f"{word} at {speed / KM_PER_H:.1f} km/h, not at rest"
            journal.note(f"{word}_moving", 1, text)
