"""A recording made of a log: the cycle by the import of drives, the other channels beside it."""

import dataclasses
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from ..base.errors import InputError
from .channel_checks import LIMITS
from .channels import ChosenColumn, ColumnRequest, choose_channels, choose_powertrain
from .drive import Cleaning, ImportedDrive, make_drive, read_columns
from .log import LEFT_OUT, Journal, Samples
from .log_files import open_log
from .placeholders import gear_codes, lost_charge, placeholders
from .recording import Finding, Recording
from .recording_checks import check_recording
from .resampling import MAX_POINTS
from .stamps import order_stamps
from .time_base import HELD, base_step, even_base, on_base, usual_raster
from .word_values import NOT_TOLD

GEARS = 20  # more are codes of a lever, not gears
SLOW = (
    *("altitude", "grade", "soc"),
    *("oil_temperature", "coolant_temperature", "ambient_temperature"),
)
"""Signals that a line joins over any gap that the cycle bridges; of the others nothing is known."""
LARGEST = 1e9  # SI; beyond it are faults of the logger
PETROL_AIR = 14.7
"""Air that burns a unit of petrol's mass, kg/kg (Heywood, Appendix D has 14.6 for gasoline, from
memory; 14.7 is the usual figure)."""


def read_recording(
    path: str | Path,
    channels: Mapping[str, tuple[ColumnRequest, str]] | None = None,
    cleaning: Cleaning | None = None,
    step: float | None = None,
    *,
    dbc: Sequence[str | Path] = (),
    fuel_density: float | None = None,
    air_need: float = PETROL_AIR,
) -> Recording:
    """Read a log with the channels of its powertrain.

    Parameters
    ----------
    path
        CSV-like text or MDF 3/4.
    channels
        By signal, the column meant and who says so; the rest is found by usual names. A unit
        `-A` turns the sign, `2.5*Nm` multiplies. The name `none` leaves a signal out.
    cleaning
        How speed and grade become a cycle, see :func:`import_drive`; its `bridge` is the longest
        gap closed in any channel too, but 3 s in those of the powertrain that change quickly.
    step
        s, of the recording's time base; by default a whole part of the cycle's step that the
        fastest channel needs, 0.1 s at least.
    dbc
        DBC files, where the log is the recording of a bus: MDF with its frames, or a text trace.
    fuel_density
        g/l, for a fuel rate that was logged as volume.
    air_need
        kg of air that burn a kg of fuel, for the fuel rate from air flow and lambda.

    Returns
    -------
    Recording

    Raises
    ------
    InputError
        As :func:`import_drive`; or a column that the user names cannot be used, or a value is out
        of range.

    Notes
    -----
    A channel found by its usual name that cannot be used as it is, say for want of a unit, is left
    out, and a finding of kind "left_out" says what to state.
    """
    cleaning = cleaning or Cleaning()
    _check(step, fuel_density, air_need)
    log, journal = open_log(Path(path), [Path(one) for one in dbc]), Journal()
    given = channels or {}
    choices = choose_channels(log, given, journal)
    more, asked = choose_powertrain(log, given, choices, journal)
    optional = [signal for signal in more if signal not in given]
    logged = read_columns(log, choices | more, journal, optional)
    drive = make_drive(log, choices, logged, cleaning, journal)
    asked |= {
        one.name.removeprefix(LEFT_OUT): one.text
        for one in journal
        if one.name.startswith(LEFT_OUT)
    }
    chosen = {
        signal: one
        for signal, one in (choices | more).items()
        if signal in logged or signal == "time"
    }
    signals, codes = {}, {}
    for signal, choice in chosen.items():
        try:
            if signal not in ("time", "speed"):
                values = _to_si(signal, choice, logged[signal].values, fuel_density)
                values, codes[signal] = _without_codes(signal, logged[signal].values, values)
                samples = Samples(logged[signal].time - drive.begin, values)
                signals[signal] = _in_order(samples, drive.piece, cleaning.jitter)
        except InputError as error:
            if signal in given:
                raise InputError(f"{log.path}: {error}") from None
            asked[signal] = str(error)
    return _assemble(drive, chosen, signals, (asked, codes), _Limits(step, cleaning, air_need))


@dataclass(frozen=True)
class _Limits:
    """What the user sets of the time base, and the air that the fuel needs."""

    step: float | None
    cleaning: Cleaning
    air_need: float


def _check(step: float | None, density: float | None, air_need: float) -> None:
    """Refuse values out of range."""
    for name, value, low, high in (
        ("step", step, 0.01, 60.0),
        ("fuel_density", density, 1.0, 1500.0),
        ("air_need", air_need, 1.0, 100.0),
    ):
        if value is not None and not low <= value <= high:
            raise InputError(f"recording: {name} is {value!r}; allowed is {low:g} to {high:g}")


def _to_si(
    signal: str, choice: ChosenColumn, values: np.ndarray, density: float | None
) -> np.ndarray:
    """Return values in SI; impossible ones are NaN.

    Raises
    ------
    InputError
        A unit is needed or the density of the fuel is.
    """
    if choice.unit is None and np.nanmax(np.abs(values - 0.5), initial=0.0) > 0.5:
        raise InputError(
            f"channel {signal}: column {choice.column.name} has no unit and goes beyond 0 to 1; "
            f"say it with --channel {signal}={choice.column.name}:% (or bar)"
        )
    with np.errstate(over="ignore", invalid="ignore"):
        si = values if choice.unit is None else choice.unit.to_si(values)
        if choice.unit is not None and choice.unit.volume:
            if density is None:
                raise InputError(
                    f"channel {signal}: column {choice.column.name} is a volume "
                    f"({choice.unit.sign}); state the density of the fuel with "
                    "--fuel-density G/L (petrol is about 745, diesel 835)"
                )
            si = si * density
        si = np.where(np.abs(si) < LARGEST, si, np.nan)
        if signal == "gear":
            told = (si == np.round(si)) & (si >= 0.0) & (si <= GEARS)
            si = np.where(told | np.isnan(si), si, NOT_TOLD)
    return si


def _without_codes(signal: str, logged: np.ndarray, si: np.ndarray) -> tuple[np.ndarray, str]:
    """Return values without those that stand for none, and which they were, in words."""
    if signal == "gear":
        codes, taken = gear_codes(si), NOT_TOLD
    elif signal in ("altitude", "grade"):  # `choose_grade` has its own way
        return si, ""
    else:
        codes, taken = placeholders(si, LIMITS.get(signal, (0.0, 1.0))[1]), np.nan
    if signal == "soc":
        codes = np.append(codes, lost_charge(si))
    marked = np.isin(si, codes)
    if not marked.any():
        return si, ""
    rest = logged[~marked & np.isfinite(si) & (si != NOT_TOLD)]
    shown = ", ".join(f"{one:.7g}" for one in np.unique(logged[marked]))
    text = (
        f"{signal} is {shown} in {int(marked.sum())} samples and otherwise {rest.min():.4g} to "
        f"{rest.max():.4g}, in the log's unit; taken as no value"
    )
    return np.where(marked, taken, si), text


def _in_order(samples: Samples, piece: int, jitter: float) -> Samples:
    """Return the samples of the piece between clock resets that the drive lies in.

    Raises
    ------
    InputError
        The channel's clock has fewer pieces than that of speed.
    """
    pieces = order_stamps(samples, jitter, Journal())
    if piece >= len(pieces):
        raise InputError("its clock does not jump as that of speed does")
    return pieces[piece]


def _assemble(
    drive: ImportedDrive,
    chosen: Mapping[str, ChosenColumn],
    signals: Mapping[str, Samples],
    told: tuple[dict[str, str], dict[str, str]],
    limits: _Limits,
) -> Recording:
    """Put all channels on one time base; `told` by signal why it is left out, and its codes."""
    duration, cleaning = drive.cycle.duration, limits.cleaning
    every = {"speed": drive.raw} | dict(signals)
    step = limits.step or base_step([usual_raster(s) for s in every.values()], cleaning.step)
    if duration > MAX_POINTS * step:
        raise InputError(
            f"{drive.log.path}: lasts {duration:.4g} s, more than {MAX_POINTS} steps of "
            f"{step:g} s; take longer steps"
        )
    time = even_base(duration, step)
    values = {"speed": np.interp(time, drive.cleaned.time, drive.cleaned.values)}
    asked, codes = told
    for signal, samples in signals.items():
        inside = (samples.time >= -step) & (samples.time <= duration + step)
        bridge = cleaning.bridge if signal in SLOW else min(cleaning.bridge, Cleaning.bridge)
        even = on_base(samples.pick(inside), time, signal in HELD, bridge)
        if signal == "gear":
            even[even != np.round(even)] = np.nan
            even[even == NOT_TOLD] = np.nan
        if signal == "gear" and not (even >= 1.0).any():
            asked[signal] = (
                f"column {chosen[signal].column.name} tells no gear forward by its number, only "
                "such as P, N, D or R; without it the speeds tell the gear"
            )
        elif np.isfinite(even).any():
            values[signal] = even
        else:
            asked[signal] = f"column {chosen[signal].column.name} holds no value in this drive"
    findings = [
        Finding("left_out", (signal,), f"{signal} left out: {text}", 0.0, duration)
        for signal, text in asked.items()
    ]
    findings += [
        Finding("placeholder", (signal,), text, 0.0, duration)
        for signal, text in codes.items()
        if text and signal in values
    ]
    findings += _fuel_from_air(values, duration, limits.air_need)
    name = drive.cycle.name
    taken = {signal: chosen[signal] for signal in chosen if signal in values or signal == "time"}
    made = Recording(name, drive.log.path, time, values, drive, tuple(findings), taken)
    return dataclasses.replace(made, findings=made.findings + check_recording(made))


def _fuel_from_air(
    values: dict[str, np.ndarray], duration: float, air_need: float
) -> list[Finding]:
    """Add the fuel rate from air flow and lambda where no fuel rate was logged."""
    if "fuel_rate" in values or "air_flow" not in values:
        return []
    if "air_ratio" not in values:
        text = "no fuel rate: air flow alone gives none without lambda (channel air_ratio)"
        return [Finding("left_out", ("fuel_rate",), text, 0.0, duration)]
    ratio = np.where(values["air_ratio"] > 0.1, values["air_ratio"], np.nan)
    values["fuel_rate"] = values["air_flow"] / (ratio * air_need)
    text = f"fuel rate made of air flow and lambda, {air_need:g} kg of air for a kg of fuel"
    return [Finding("derived", ("fuel_rate", "air_flow", "air_ratio"), text, 0.0, duration)]
