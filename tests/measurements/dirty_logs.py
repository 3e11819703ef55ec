"""Raw logs as loggers write them, made from a shipped schedule: its speed is the truth.

Each maker returns the content of a file and the rows in it as the logger meant them: their true
times and the speeds written, so that a test can take the raw log's own integral.
"""

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import numpy as np

from hybridopt import read_cycle

KM_PER_H = 1 / 3.6
START = datetime(2023, 9, 5, 14, 7, 36, tzinfo=UTC)
SCANNED = ("ENGINE_RPM", "COOLANT_TEMPERATURE", "THROTTLE", "TIMING_ADVANCE")


@dataclass(frozen=True)
class Truth:
    """A drive: times (s) and speeds (m/s), linear between them, and a hill under it."""

    time: np.ndarray
    speed: np.ndarray

    def speed_at(self, time):
        return np.interp(time, self.time, self.speed)

    def altitude_at(self, time):
        """Return 150 m with hills of 30 m every 1.5 km."""
        steps = 0.5 * (self.speed[1:] + self.speed[:-1]) * np.diff(self.time)
        gone = np.interp(time, self.time, np.concatenate(([0.0], np.cumsum(steps))))
        return 150 + 15 * (1 - np.cos(2 * np.pi * gone / 1500))

    @property
    def length(self):
        return float(self.time[-1] - self.time[0])


@dataclass(frozen=True)
class Raw:
    """A log: its bytes, and its rows as meant (s, m/s)."""

    content: bytes
    time: np.ndarray
    speed: np.ndarray

    @property
    def distance(self):
        return float(np.trapezoid(self.speed, self.time))


def truth(name="udds", first=0.0, last=505.0):
    cycle = read_cycle(name).cut(first, last)
    return Truth(cycle.time, cycle.speed)


def whole(speed, unit=KM_PER_H):
    """Return speeds as a sensor gives them: in whole units."""
    return np.round(speed / unit) * unit


def lines(head, *columns, delimiter=","):
    """Return a header and rows of text cells, one iterable per column."""
    body = [delimiter.join(row) for row in zip(*columns, strict=True)]
    return "\n".join([delimiter.join(head), *body]) + "\n"


def cells(values, digits=0):
    return [f"{value:.{digits}f}" for value in values]


def filler(count, seed=1):
    """Return a column of numbers that mean something else."""
    return cells(1500 + 40 * np.random.default_rng(seed).standard_normal(count), 1)


def clock(seconds, form="%H:%M:%S.%f", digits=3):
    """Return clock times or dates with `digits` of the second."""
    moments = [START + timedelta(seconds=float(s)) for s in seconds]
    return [moment.strftime(form)[: digits - 6 or None] for moment in moments]


def held(drive, rate=11.0, refresh=0.9, unit=KM_PER_H, seed=0):
    """A scanner's log at 11 Hz of a sensor that is refreshed every 0.9 s, in whole km/h."""
    random = np.random.default_rng(seed)
    time = np.round(np.arange(0.0, drive.length, 1 / rate), 3)
    moments = np.arange(0.0, drive.length + refresh, refresh)
    moments[1:] += random.uniform(-0.04, 0.04, moments.size - 1)
    read = moments[np.clip(np.searchsorted(moments, time, "right") - 1, 0, None)]
    speed = whole(drive.speed_at(read), unit)
    head = (
        "Time",
        "Engine Coolant Temperature [°C]",
        "Engine RPM [RPM]",
        "Vehicle Speed Sensor [km/h]",
        "Air Flow Rate from Mass Flow Sensor [g/s]",
    )
    body = (clock(time), cells(80 + 0 * time), filler(time.size))
    text = lines(head, *body, cells(speed / KM_PER_H), filler(time.size, 2))
    return Raw(text.encode(), time, speed)


def whole_seconds(drive):
    """A scanner's log with stamps in whole seconds, two rows a stamp every two seconds."""
    time = np.arange(0.0, drive.length, 1.0)
    speed = whole(drive.speed_at(time))
    stamp = 2 * (time // 2)
    head = [f"{name} ()" for name in ("ENGINE_RUN_TINE", "VEHICLE_SPEED", *SCANNED)]
    rest = [filler(time.size, seed) for seed in range(4)]
    return Raw(lines(head, cells(stamp), cells(speed / KM_PER_H), *rest).encode(), time, speed)


def truncated(drive, rate=5.0):
    """Five rows a second, stamps cut to the second, begun within one."""
    time = 0.4 + np.arange(0.0, drive.length - 0.4, 1 / rate)
    speed = drive.speed_at(time)
    text = lines(
        ("Timestamp", "Speed (km/h)"), clock(time, "%Y-%m-%d %H:%M:%S", 6), cells(speed * 3.6, 2)
    )
    return Raw(text.encode(), time, speed)


def twelve_hours(drive, rate=10.0):
    """A bus export with dates of twelve hours, jitter, and short names."""
    random = np.random.default_rng(3)
    time = np.arange(0.0, drive.length, 1 / rate) + random.uniform(
        0.0, 0.02, round(drive.length * rate)
    )
    speed = np.round(drive.speed_at(time) * 3.6 / 0.01) * 0.01 / 3.6
    form = "%m/%d/%Y %I:%M:%S.%f"
    stamps = [s + " PM" for s in clock(time, form, 4)]
    text = lines(
        ("time_utc", "EngSpd", "VehSpd [km.h-1]", "VehSpdLim [km.h-1]"),
        stamps,
        filler(time.size),
        cells(speed * 3.6, 2),
        cells(0 * time + 50),
    )
    return Raw(text.encode(), time, speed)


def tracker(drive):
    """A positioning tracker at 1 Hz: date and clock apart, noise in the altitude, m/s."""
    random = np.random.default_rng(4)
    time = np.arange(0.0, drive.length, 1.0)
    speed = np.maximum(drive.speed_at(time) + random.normal(0, 0.02, time.size), 0.0)
    speed[drive.speed_at(time) == 0.0] = 0.03
    drift = np.cumsum(random.normal(0, 0.15, time.size))
    height = drive.altitude_at(time) + drift + random.normal(0, 0.4, time.size)
    head = (
        "Date",
        "Time",
        "Latitude",
        "Longitude",
        "Altitude (m)",
        "Speed (m/s)",
        "Bearing",
        "Accuracy (m)",
    )
    text = lines(
        head,
        clock(time, "%d.%m.%Y", 6),
        clock(time, "%H:%M:%S", 6),
        cells(51 + time / 1e5, 6),
        cells(7 + time / 1e5, 6),
        cells(height, 1),
        cells(speed, 2),
        filler(time.size),
        cells(3 + 0 * time, 1),
    )
    return Raw(text.encode(), time, speed)


def european(drive, rate=10.0):
    """Semicolons, decimal commas, a preamble, a row of units, a delimiter at each end, UTF-16."""
    time = np.arange(0.0, drive.length, 1 / rate)
    speed = drive.speed_at(time)
    head = ("Zeit", "Drehzahl", "Geschwindigkeit", "Kuehlmittel", "Hoehe", "")
    units = ("s", "rpm", "km/h", "°C", "m", "")
    blank = [""] * time.size
    body = lines(
        units,
        cells(time, 2),
        filler(time.size),
        cells(speed * 3.6, 2),
        filler(time.size, 2),
        cells(drive.altitude_at(time), 2),
        blank,
        delimiter=";",
    )
    preamble = "Messung 17;\nFahrer: A. N. Other; Fahrzeug: 3\nStart: 05.09.2023 14:07\n\n"
    text = preamble + ";".join(head) + "\n" + body.replace(".", ",")
    return Raw(text.replace("\n", "\r\n").encode("utf-16"), time, speed)


def milliseconds(drive, rate=10.0):
    """A phone's log: ms since 1970, blanks between readings, repeated headers, twins, a BOM."""
    time = np.arange(0.0, drive.length, 1 / rate)
    speed = drive.speed_at(time)
    stamp = cells(1000 * (START.timestamp() + time))
    shown = [f"{v:.2f}" if i % 3 else "-" for i, v in enumerate(speed * 3.6)]
    head = (
        "timestamp",
        "Speed (OBD)(km/h)",
        "Speed (GPS)(km/h)",
        "Speed (OBD)(km/h)",
        "Average trip speed(km/h)",
        "GPS vs OBD Speed difference(km/h)",
    )
    rows = lines(
        head,
        stamp,
        shown,
        cells(speed * 3.6 + 1, 1),
        shown,
        filler(time.size),
        filler(time.size, 2),
    ).splitlines()
    rows[2000:2000] = [rows[0]]
    seen = np.arange(time.size) % 3 != 0
    return Raw(("\ufeff" + "\n".join(rows) + "\n").encode(), time[seen], speed[seen])


def troubled(drive, rate=10.0):
    """Sentinels, an engine-off silence at rest, rows out of order, a stamp gone astray, an END."""
    time = np.arange(0.0, drive.length, 1 / rate)
    speed = drive.speed_at(time)
    shown = cells(speed * 3.6, 2)
    for place in range(300, time.size, 700):
        shown[place] = "6553.5"
    rows = lines(
        ("elapsed_time_s", "vehicle_speed_kph", "gear"), cells(time, 3), shown, ["D"] * time.size
    ).splitlines()
    rest = np.flatnonzero(speed == 0.0)
    longest = max(np.split(rest, np.flatnonzero(np.diff(rest) > 1) + 1), key=len)
    silent = set(longest[5:-5] + 1)
    rows = [row for i, row in enumerate(rows) if i not in silent]
    rows[900], rows[901] = rows[901], rows[900]
    rows[1200] = "0.000" + rows[1200][rows[1200].index(",") :]
    text = "\n".join([*rows, "END OF LOG,,"]) + "\n"
    keep = np.array([i + 1 not in silent for i in range(time.size)])
    return Raw(text.encode(), time[keep], speed[keep])


def whole_miles(drive, rate=2.0):
    """Whole mph at 2 Hz of a receiver that gives one reading a second, ISO stamps with zone."""
    time = np.arange(0.0, drive.length, 1 / rate)
    speed = whole(drive.speed_at(np.floor(time)), 0.44704)
    stamps = [s + "+02:00" for s in clock(time, "%Y-%m-%dT%H:%M:%S.%f", 1)]
    text = lines(("time", "Ground Speed (mph)"), stamps, cells(speed / 0.44704))
    return Raw(text.encode(), time, speed)


MAKERS = (
    held,
    whole_seconds,
    truncated,
    twelve_hours,
    tracker,
    european,
    milliseconds,
    troubled,
    whole_miles,
)
