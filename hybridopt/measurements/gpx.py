"""Tracks and routes in GPX: positions with elevation, and time where a drive was recorded.

GPX 1.1 schema, topografix.com (from memory): `trkpt` and `rtept` carry `lat` and `lon` in degrees
of WGS 84, `ele` in m and `time` by ISO 8601.
"""

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from ..base.errors import InputError
from ..files.xml_text import read_xml
from .log import Journal, LogColumn, Samples, make_columns
from .time_stamps import StampReader

MAJOR_AXIS, FLATTENING = 6_378_137.0, 1.0 / 298.257223563  # m and 1, of the ellipsoid WGS 84
POINTS = ("trkpt", "rtept")
LEAST_POINTS = 2
SPEED, ELEVATION = "speed from positions", "elevation"


@dataclass(frozen=True, eq=False)
class GpxTrack:
    """Positions in their order.

    Attributes
    ----------
    path : of the file
    distance : m from the first point, (n,)
    east, north : m from the first point, along the path's own parallels and meridians, (n,)
    elevation : m, NaN where a point has none, (n,)
    time : s since 1970, NaN where a point has none, (n,)
    """

    path: Path
    distance: np.ndarray
    east: np.ndarray
    north: np.ndarray
    elevation: np.ndarray
    time: np.ndarray


def read_gpx(path: Path) -> GpxTrack:
    """Read the track of a GPX file, or its route where it has no track.

    Raises
    ------
    InputError
        The file is no GPX, has fewer than two points, or a point's value is no number or beyond its
        range; the message names the point.

    Notes
    -----
    Lengths are those of short pieces on the ellipsoid WGS 84: the radius of curvature of the
    meridian times the change of latitude, and that of the prime vertical times the cosine of the
    latitude times the change of longitude.
    """
    root = read_xml(path)
    if _plain(root.tag) != "gpx":
        raise InputError(f"{path}: is XML, but no GPX; give a GPX file, or a log as CSV or MDF")
    points = next(
        (found for kind in POINTS if (found := [e for e in root.iter() if _plain(e.tag) == kind])),
        [],
    )
    if len(points) < LEAST_POINTS:
        raise InputError(f"{path}: has {len(points)} points; a track or route needs 2 or more")
    stamps, rows = StampReader("."), []
    for number, point in enumerate(points, start=1):
        place = f"{path}: point {number}"
        texts = {_plain(child.tag): (child.text or "").strip() for child in point}
        rows.append(
            (
                _number(place, "lat", point.get("lat", ""), 90.0),
                _number(place, "lon", point.get("lon", ""), 180.0),
                _number(place, "ele", texts.get("ele") or "nan", 20_000.0),
                _stamp(place, texts.get("time", ""), stamps),
            )
        )
    latitude, longitude, elevation, time = np.array(rows).T
    east, north = _pieces(np.radians(latitude), np.radians(longitude))
    distance = np.concatenate(([0.0], np.cumsum(np.hypot(east, north))))
    east, north = (np.concatenate(([0.0], np.cumsum(piece))) for piece in (east, north))
    return GpxTrack(path, distance, east, north, elevation, time)


def _plain(tag: str) -> str:
    """Return the name of an element without its namespace."""
    return tag.rpartition("}")[2]


def _number(place: str, name: str, text: str, most: float) -> float:
    try:
        value = float(text)
    except ValueError:
        raise InputError(f"{place}: {name} is {text[:40]!r}, which is no number; mend it") from None
    if abs(value) > most:
        raise InputError(f"{place}: {name} is {value:g}; allowed is {-most:g} to {most:g}")
    return value


def _stamp(place: str, text: str, stamps: StampReader) -> float:
    if not text:
        return math.nan
    try:
        return stamps.seconds(text)
    except ValueError:
        raise InputError(
            f"{place}: time is {text[:40]!r}; write it as 2030-01-31T12:00:00Z"
        ) from None


def _pieces(latitude: np.ndarray, longitude: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return how far each piece goes east and north, m, (n - 1,) each; radians are given."""
    middle = 0.5 * (latitude[1:] + latitude[:-1])
    squared = FLATTENING * (2.0 - FLATTENING)
    root = 1.0 - squared * np.sin(middle) ** 2
    turn = np.diff(longitude)
    turn = np.arctan2(np.sin(turn), np.cos(turn))  # across the date line
    east = MAJOR_AXIS / np.sqrt(root) * np.cos(middle) * turn
    north = MAJOR_AXIS * (1.0 - squared) / root**1.5 * np.diff(latitude)
    return east, north


class GpxLog:
    """A recorded track as a log; see :class:`.log.Log`."""

    needs_time = False

    def __init__(self, path: Path) -> None:
        self.path, self.kind = path, "GPX, speed from positions"
        self.track = read_gpx(path)
        known = np.isfinite(self.track.time)
        if known.sum() < LEAST_POINTS or np.ptp(self.track.time[known]) <= 0.0:
            raise InputError(
                f"{path}: its points have no time, so it is a route and no drive; make a cycle of "
                "it with: hybridopt cycle route"
            )
        names = [SPEED] + [ELEVATION] * bool(np.isfinite(self.track.elevation).any())
        self.columns = make_columns(
            names, ["m/s", "m"][: len(names)], [(i,) for i in range(len(names))]
        )

    def read(
        self,
        chosen: Mapping[str, LogColumn],
        time_unit: str,
        journal: Journal,
        optional: Collection[str] = (),
    ) -> dict[str, Samples]:
        """Return speed and elevation of the points that have a time.

        The speed at a point is the distance from the one before to the one behind it over their
        time.
        """
        track = self.track
        known = np.isfinite(track.time)
        time, distance = track.time[known], track.distance[known]
        number = np.arange(time.size)
        before, behind = np.maximum(number - 1, 0), np.minimum(number + 1, time.size - 1)
        span, gone = time[behind] - time[before], distance[behind] - distance[before]
        speed = np.divide(gone, span, out=np.full(time.size, np.nan), where=span > 0.0)
        values = {SPEED: speed, ELEVATION: track.elevation[known]}
        journal.note("time_unit", 0, "time: ISO dates of the points")
        if not known.all():
            count = int((~known).sum())
            journal.note("rows_without_time", count, f"points without a time dropped: {count}")
        return {signal: Samples(time, values[one.name]) for signal, one in chosen.items()}

    def alike(self, columns: Sequence[LogColumn]) -> bool:
        """Return False: no two columns hold the same."""
        return False
