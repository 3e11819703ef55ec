"""A drive made of a log: all stages of the import in order. Read this first."""

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from ..base.errors import InputError
from ..base.units import KM_PER_H
from ..inputs.cycle import Cycle
from .channels import Channel, ColumnChoice, choose_channels
from .log import Intervention, Log, Samples, printable
from .log_files import open_log
from .parts import Stretch, choose_part, cut_at_gaps, drop_scraps
from .resampling import MAX_POINTS, low_pass, resample_speed
from .road_grade import grade_from_altitude, logged_grade
from .speed_cleaning import drop_impossible, remove_spikes, still, turn_forward
from .stamps import order_stamps
from .tractive_energy import tractive_energy

SLOW_STEP, SLOW_CHANGE = 10.0, 0.05  # s, m/s2: no drive changes its speed so slowly throughout


@dataclass(frozen=True, kw_only=True)
class Cleaning:
    """How a log is cleaned; each figure in SI.

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
        A figure is out of range.
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
        """Check each figure on its own."""
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
    """

    cycle: Cycle
    log: Log
    choices: Mapping[str, ColumnChoice]
    done: tuple[Intervention, ...]
    raw: Samples
    cleaned: Samples


def import_drive(
    path: str | Path,
    channels: Mapping[str, tuple[Channel, str]] | None = None,
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
        The log cannot be read, a column or unit is not known, or the data hold no drive that can
        be told from its faults; the message says which.
    """
    path, cleaning = Path(path), cleaning or Cleaning()
    log = open_log(path)
    choices = choose_channels(log, channels or {})
    columns = {signal: choice.column for signal, choice in choices.items()}
    time_unit = choices["time"].unit if "time" in choices else None
    raw, done = log.read(columns, time_unit.sign if time_unit else "")
    begin = raw["speed"].time[0]
    signals = {
        name: _from_zero(_to_si(samples, choices[name]), begin) for name, samples in raw.items()
    }
    runs, more = order_stamps(signals["speed"], cleaning.jitter)
    part, cut = _choose_stretch(path, runs, cleaning)
    _refuse_long(path, part, cleaning.step)
    done += more + cut
    cleaned, more = still(part.speed, cleaning.standstill)
    done += more
    _refuse_slow_clock(path, cleaned)
    smooth, more = _smooth(cleaned, cleaning.bandwidth)
    done += more
    made = resample_speed(cleaned, smooth, cleaning.step, cleaning.standstill)
    grade, more = _grade(signals, part, made, cleaning)
    done += more
    begin = made.time[0]
    name = printable(path.stem) or "drive"
    cycle = Cycle(name, made.time - begin, made.values, grade, path.name, name)
    inside = runs[part.run]
    inside = inside.pick((inside.time >= part.speed.time[0]) & (inside.time <= part.speed.time[-1]))
    done += _resampling_told(cleaned, smooth, cycle, cleaning) + _ends_told(cycle)
    return ImportedDrive(
        cycle, log, choices, tuple(done), _from_zero(inside, begin), _from_zero(cleaned, begin)
    )


def _refuse_long(path: Path, part: Stretch, step: float) -> None:
    """Refuse a part that would be more points than a cycle may have: a wrong unit of time."""
    if part.duration > MAX_POINTS * step:
        raise InputError(
            f"{path}: lasts {part.duration:.4g} s, more than {MAX_POINTS} steps of {step:g} s; "
            "state the unit of time, or take longer steps"
        )


def _to_si(samples: Samples, choice: ColumnChoice) -> Samples:
    values = choice.unit.to_si(samples.values) if choice.unit else samples.values
    return Samples(samples.time, values)


def _from_zero(samples: Samples, begin: float) -> Samples:
    return Samples(samples.time - begin, samples.values)


def _choose_stretch(
    path: Path, runs: list[Samples], cleaning: Cleaning
) -> tuple[Stretch, list[Intervention]]:
    """Clean the speed of every run of the clock, cut it at gaps and jumps, and choose a part."""
    parts, done = [], []
    for number, run in enumerate(runs):
        speed, more = drop_impossible(run)
        done += more
        if not speed.time.size:
            continue
        speed, more = turn_forward(speed)
        done += more
        stretches, more = cut_at_gaps(number, speed, cleaning.bridge)
        done += more
        for stretch in stretches:
            pieces, more = remove_spikes(
                stretch, cleaning.gain_max, cleaning.loss_max, cleaning.bridge
            )
            parts += pieces
            done += more
    parts, more = drop_scraps(parts)
    part, choice = choose_part(path, parts, cleaning.part)
    return part, [*done, *more, *choice]


def _refuse_slow_clock(path: Path, speed: Samples) -> None:
    """Refuse a drive whose speed changes too slowly for its height: time in another unit."""
    grid = np.arange(speed.time[0], speed.time[-1] + 1e-9, SLOW_STEP)
    change = np.abs(np.diff(np.interp(grid, speed.time, speed.values))) / SLOW_STEP
    if np.ptp(speed.values) > 5.0 and change.size and change.max() < SLOW_CHANGE:
        raise InputError(
            f"{path}: speed never changes by more than {change.max():.2g} m/s2; the unit of time "
            "is probably wrong, so state it, such as --channel time=NAME:ms"
        )


def _smooth(speed: Samples, bandwidth: float) -> tuple[Samples, list[Intervention]]:
    raster = float(np.median(np.diff(speed.time)))
    if bandwidth <= 0.0:
        return speed, [Intervention("low_pass", 0, "no low-pass")]
    if bandwidth * raster >= 0.45:
        text = f"no low-pass: samples {raster:.3g} s apart hold nothing above {bandwidth:g} Hz"
        return speed, [Intervention("low_pass", 0, text)]
    text = f"low-pass at {bandwidth:g} Hz without phase shift, log at {1 / raster:.3g} Hz"
    return low_pass(speed, bandwidth), [Intervention("low_pass", 1, text)]


def _grade(
    signals: Mapping[str, Samples], part: Stretch, made: Samples, cleaning: Cleaning
) -> tuple[np.ndarray, list[Intervention]]:
    name = "grade" if "grade" in signals else "altitude"
    if name not in signals:
        return np.zeros(made.time.size), [Intervention("grade", 0, "no grade, the road is flat")]
    runs, _ = order_stamps(signals[name], cleaning.jitter)
    if part.run >= len(runs):
        raise InputError(f"channel {name}: its clock jumps otherwise than that of speed")
    if name == "grade":
        return logged_grade(runs[part.run], made.time)
    return grade_from_altitude(runs[part.run], made, cleaning.grade_length)


def _resampling_told(
    cleaned: Samples, smooth: Samples, cycle: Cycle, cleaning: Cleaning
) -> list[Intervention]:
    far = np.trapezoid(cleaned.values, cleaned.time)
    energies = [tractive_energy(s.time, s.values) for s in (cleaned, smooth)]
    energies.append(tractive_energy(cycle.time, cycle.speed))
    told = " -> ".join(f"{energy / 1e6:.3f}" for energy in energies)
    return [
        Intervention(
            "resampled",
            cycle.time.size,
            f"resampled to {cycle.time.size} points every "
            f"{cleaning.step:g} s; distance {far:.1f} -> {cycle.distance:.1f} m",
        ),
        Intervention(
            "energy",
            0,
            "positive tractive energy on the flat of a car of 1.5 t, cleaned "
            f"-> low-passed -> resampled: {told} MJ",
        ),
    ]


def _ends_told(cycle: Cycle) -> list[Intervention]:
    ends = {"starts": cycle.speed[0], "ends": cycle.speed[-1]}
    return [
        Intervention(f"{word}_moving", 1, f"{word} at {speed / KM_PER_H:.1f} km/h, not at rest")
        for word, speed in ends.items()
        if speed > 0.0
    ]
