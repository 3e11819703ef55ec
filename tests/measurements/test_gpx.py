"""Tracks and routes: lengths on the ellipsoid, drives in closed form, damaged files.

Length of a degree: WGS 84 gives 110,574 m of latitude at the equator, 111,694 m at the poles and
111,320 m of longitude at the equator (WGS 84, from memory).
"""

import numpy as np
import pytest

from hybridopt import InputError, import_drive
from hybridopt.base.units import KM_PER_H
from hybridopt.measurements.gpx import read_gpx
from hybridopt.measurements.route import Driver, log_route, route_cycle

HEAD = '<?xml version="1.0"?>\n<gpx version="1.1" xmlns="http://www.topografix.com/GPX/1/1">'
DEGREE = 110_574.3  # m of latitude at the equator


def written(tmp_path, points, kind="trkpt", name="way.gpx"):
    """Write (lat, lon, ele, time) as a track or route; None leaves elevation or time out."""
    rows = []
    for lat, lon, ele, time in points:
        inside = f"<ele>{ele}</ele>" if ele is not None else ""
        inside += f"<time>{time}</time>" if time is not None else ""
        rows.append(f'<{kind} lat="{lat:.9f}" lon="{lon:.9f}">{inside}</{kind}>')
    path = tmp_path / name
    path.write_text(f"{HEAD}<trk><trkseg>{''.join(rows)}</trkseg></trk></gpx>", encoding="utf-8")
    return path


def northward(metres, **more):
    """Points along the meridian at the equator."""
    height = more.get("height", lambda x: None)
    return [(x / DEGREE, 8.0, height(x), None) for x in metres]


@pytest.mark.parametrize(
    ("ends", "metres"),
    [
        (((0.0, 0.0), (1.0, 0.0)), 110_574.0),
        (((89.0, 0.0), (90.0, 0.0)), 111_694.0),
        (((0.0, 0.0), (0.0, 1.0)), 111_320.0),
        (((0.0, 179.5), (0.0, -179.5)), 111_320.0),  # across the date line
    ],
)
def test_a_degree_has_its_length(tmp_path, ends, metres):
    (lat, lon), (to_lat, to_lon) = ends
    middle = [(lat + s * (to_lat - lat), lon + s * (to_lon - lon)) for s in np.linspace(0, 1, 101)]
    if abs(to_lon - lon) > 180.0:
        middle = [(0.0, (lon + s + 180.0) % 360.0 - 180.0) for s in np.linspace(0, 1, 101)]
    track = read_gpx(written(tmp_path, [(a, b, None, None) for a, b in middle]))
    assert track.distance[-1] == pytest.approx(metres, abs=2.0)


def test_a_recorded_track_becomes_a_drive(tmp_path):
    """At 2 m/s2 to 20 m/s, held, and braked at 2 m/s2: 100 + 400 + 100 m, up 2 % all the way."""
    time = np.arange(0.0, 51.0)
    speed = np.interp(time, [0, 5, 15, 35, 45, 50], [0, 0, 20, 20, 0, 0])
    gone = np.concatenate(([0.0], np.cumsum(0.5 * (speed[1:] + speed[:-1]))))
    points = [
        (x / DEGREE, 8.0, 100.0 + 0.02 * x, f"2030-01-31T12:00:{int(t):02d}Z")
        for t, x in zip(time, gone, strict=True)
    ]
    drive = import_drive(written(tmp_path, points))
    assert drive.log.kind.startswith("GPX")
    assert drive.cycle.distance == pytest.approx(600.0, rel=2e-3)
    assert drive.cycle.max_speed == pytest.approx(20.0, abs=0.3)
    moving = (drive.cycle.time > 15) & (drive.cycle.time < 35)
    assert drive.cycle.grade[moving] == pytest.approx(0.02, abs=2e-3)


def test_a_straight_route_is_driven_in_closed_form(tmp_path):
    """v2 = 2 a s: 20 m/s after 200 m at 1 m/s2, braked in 166.7 m, the rest of 2 km at 20 m/s."""
    track = read_gpx(written(tmp_path, northward(np.linspace(0.0, 2000.0, 81)), kind="rtept"))
    made = route_cycle(track, Driver(speed=20.0, gain=1.0, loss=1.2))
    seconds = 20.0 + 20.0 / 1.2 + (2000.0 - 200.0 - 400.0 / 2.4) / 20.0
    assert made.duration == pytest.approx(seconds, abs=2.5)
    assert made.distance == pytest.approx(2000.0, rel=1e-3)
    assert made.max_speed == pytest.approx(20.0, abs=0.1)  # least squares swing beyond a kink
    assert made.speed[0] == made.speed[-1] == 0.0
    assert made.acceleration.max() < 1.1 and made.acceleration.min() > -1.35


def test_limits_are_kept_and_hills_give_the_grade(tmp_path):
    metres = np.linspace(0.0, 3000.0, 301)
    path = written(tmp_path, northward(metres, height=lambda x: 50.0 + 0.03 * min(x, 1500.0)))
    places, limits = np.array([1000.0, 2000.0]), np.array([10.0, 25.0])
    made = route_cycle(read_gpx(path), Driver(speed=25.0), places, limits)
    gone = np.concatenate(([0.0], np.cumsum(made.mean_speed * made.dt)))
    slow = (gone > 1010.0) & (gone < 1990.0)
    assert made.speed[slow].max() < 10.4 and made.speed[gone < 900.0].max() > 20.0
    assert made.grade[(gone > 400) & (gone < 1200)] == pytest.approx(0.03, abs=2e-3)
    assert made.grade[(gone > 1900) & (gone < 2700)] == pytest.approx(0.0, abs=2e-3)


def test_a_bend_is_passed_at_the_sideways_acceleration(tmp_path):
    """A circle of 100 m radius at 2.5 m/s2 sideways: sqrt(250) = 15.8 m/s."""
    angle = np.linspace(0.0, 2.0 * np.pi, 400)
    points = [(100 * np.sin(a) / DEGREE, 100 * np.cos(a) / 111_319.5, None, None) for a in angle]
    track = read_gpx(written(tmp_path, points))
    made = route_cycle(track, Driver(speed=40.0, gain=2.0, loss=2.0, sideways=2.5))
    assert made.max_speed == pytest.approx(np.sqrt(250.0), rel=0.06)
    fast = route_cycle(track, Driver(speed=40.0, gain=2.0, loss=2.0, sideways=0.0))
    assert fast.max_speed > 20.0


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("<gpx", "is no valid XML"),
        ("<kml/>", "is XML, but no GPX"),
        (f"{HEAD}</gpx>", "has 0 points"),
        (f'{HEAD}<trkpt lat="91" lon="0"/><trkpt lat="0" lon="0"/></gpx>', "point 1: lat is 91"),
        (f'{HEAD}<trkpt lat="x" lon="0"/><trkpt lat="0" lon="0"/></gpx>', "'x', which is no"),
        (
            f'{HEAD}<trkpt lat="1" lon="0"><time>noon</time></trkpt><trkpt lat="0" lon="0"/></gpx>',
            "time is 'noon'",
        ),
        ('<!DOCTYPE gpx [<!ENTITY a "b">]><gpx>&a;</gpx>', "declares entities"),
    ],
)
def test_a_damaged_file_is_one_sentence(tmp_path, text, words):
    path = tmp_path / "way.gpx"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(InputError, match=words):
        read_gpx(path)


def test_a_route_without_time_is_sent_to_its_command(tmp_path):
    path = written(tmp_path, northward([0.0, 100.0, 200.0]))
    with pytest.raises(InputError, match="make a cycle of it with: hybridopt cycle route"):
        import_drive(path)
    with pytest.raises(InputError, match="is 1 m long"):
        route_cycle(read_gpx(written(tmp_path, northward([0.0, 1.0]))))
    with pytest.raises(InputError, match="driver: speed is 0; allowed is"):
        Driver(speed=0.0)
    assert 50.0 * KM_PER_H == pytest.approx(Driver().speed)


def test_the_way_of_a_log_is_driven_anew(tmp_path):
    """A drive up 2 % with a stop in between, as a CSV log: the way stays, the stop goes."""
    time = np.arange(0.0, 121.0)
    speed = np.interp(time, [0, 10, 25, 35, 60, 70, 85, 95, 120], [0, 20, 20, 0, 0, 20, 20, 0, 0])
    gone = np.concatenate(([0.0], np.cumsum(0.5 * (speed[1:] + speed[:-1]))))
    points = zip(time, 3.6 * speed, 100.0 + 0.02 * gone, strict=True)
    rows = [f"{t:g},{v:.3f},{h:.3f}" for t, v, h in points]
    path = tmp_path / "log.csv"
    path.write_text("time [s],speed [km/h],altitude [m]\n" + "\n".join(rows))
    track = log_route(import_drive(path))
    made = route_cycle(track, Driver(speed=15.0))
    assert made.distance == pytest.approx(gone[-1], rel=5e-3)
    assert made.max_speed == pytest.approx(15.0, abs=0.2)
    assert (made.speed[5:-5] > 1.0).all()
    assert np.median(made.grade[10:-10]) == pytest.approx(0.02, abs=2e-3)
