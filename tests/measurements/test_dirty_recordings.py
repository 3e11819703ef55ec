"""Logs with the dirt of real loggers: units in a row of their own, decimal commas, repeated stamps,
clock resets, MDF with a raster for each channel and words."""

import numpy as np
import pytest
from log_makers import speed_at, stamps

from hybridopt import Cleaning, InputError, read_recording

RPM = np.pi / 30


def torque_at(time):
    """Return the engine torque of the drive in closed form, N m."""
    return 100 + 50 * np.sin(2 * np.pi * np.asarray(time) / 40)


def rows(time, *columns, delimiter=",", comma=False):
    """Return rows of text cells."""
    table = [[f"{v:.4f}" for v in column] for column in (time, *columns)]
    lines = "\n".join(delimiter.join(row) for row in zip(*table, strict=True)) + "\n"
    return lines.replace(".", ",") if comma else lines


def test_units_below_the_names_decimal_commas_and_a_preamble(write):
    time = stamps()
    head = "Messung 17\n\nZeit;Geschwindigkeit;Motordrehzahl;Drehmoment Engine;Kuehlwasser\n"
    units = "s;km/h;1/min;Nm;°C\n"
    columns = (3.6 * speed_at(time), 900 + time, torque_at(time), 80 + 0 * time)
    path = write(head + units + rows(time, *columns, delimiter=";", comma=True), encoding="utf-16")
    recording = read_recording(path)
    assert recording.channels["engine_speed"] == pytest.approx((900 + recording.time) * RPM)
    assert recording.channels["engine_torque"] == pytest.approx(torque_at(recording.time), abs=0.01)
    assert recording.channels["coolant_temperature"] == pytest.approx(80)


def test_stamps_in_whole_seconds_are_spread_for_every_channel_alike(write):
    """Ten rows a second, all with the second they fall in."""
    time = stamps()
    head = "time [s],speed [km/h],engine torque [Nm]\n"
    cells = rows(np.floor(time), 3.6 * speed_at(time), torque_at(time))
    recording = read_recording(write(head + cells))
    assert recording.time[1] == pytest.approx(0.1)
    inside = slice(20, -20)
    got = recording.channels["engine_torque"][inside]
    assert got == pytest.approx(torque_at(recording.time[inside]), abs=1.0)


def test_repeated_stamps_are_averaged_and_stray_ones_dropped(write):
    time = np.repeat(stamps(), 2)
    torque = torque_at(time) + np.tile([3.0, -3.0], time.size // 2)
    time[777] += 500.0
    head = "time [s],speed [km/h],engine torque [Nm]\n"
    recording = read_recording(
        write(head + rows(time, 3.6 * speed_at(np.repeat(stamps(), 2)), torque))
    )
    apart = recording.channels["engine_torque"] - torque_at(recording.time)
    assert np.abs(apart).max() < 3.5 and (np.abs(apart) > 0.5).sum() < 5


def test_channels_follow_the_speed_behind_a_reset_of_the_clock(write):
    time = stamps()
    stamp = np.where(time < 100, time + 1000, time - 100)
    head = "time [s],speed [km/h],engine torque [Nm]\n"
    path = write(head + rows(stamp, 3.6 * speed_at(time), torque_at(time)))
    with pytest.raises(InputError, match="falls into 2 parts"):
        read_recording(path)
    recording = read_recording(path, cleaning=Cleaning(part="2"))
    wanted = torque_at(100 + recording.time)
    assert recording.channels["engine_torque"] == pytest.approx(wanted, abs=0.1)


def test_whole_km_h_and_coarse_channels_keep_their_places(write):
    time = stamps()
    speed, soc = np.round(3.6 * speed_at(time)), np.round(2 * (60 - time / 20)) / 2
    head = "time [s],VehSpd [km/h],HV SOC [%],fuel rate [g/s]\n"
    recording = read_recording(write(head + rows(time, speed, soc, 1 + time / 100)))
    assert np.abs(recording.channels["soc"] - (0.6 - recording.time / 2000)).max() <= 0.0026
    assert recording.channels["fuel_rate"] == pytest.approx(1 + recording.time / 100, abs=1e-3)
    assert recording.channels["speed"] == pytest.approx(speed_at(recording.time), abs=0.2)


@pytest.mark.usefixtures("forked")
def test_mdf_has_a_raster_for_each_channel_and_words(tmp_path):
    asammdf = pytest.importorskip("asammdf")
    fast, slow, rare = stamps(50), stamps(2), np.array([0.0, 70.0, 130.0, 200.0])
    words = np.array([b"P", b"D1", b"D2", b"N"])
    mdf = asammdf.MDF(version="4.10")
    for name, time, values, unit in (
        ("vehicle speed", fast, 3.6 * speed_at(fast), "km/h"),
        ("engine torque", fast, torque_at(fast), "Nm"),
        ("coolant temperature", slow, 80 + slow / 10, "degC"),
        ("gear", rare, words, ""),
        ("motor torque", rare, np.array([b"a", b"b", b"c", b"d"]), "Nm"),
    ):
        extra = {"encoding": "utf-8"} if values.dtype.kind == "S" else {}
        mdf.append([asammdf.Signal(values, time, name=name, unit=unit, **extra)])
    path = mdf.save(tmp_path / "a.mf4", overwrite=True)
    mdf.close()
    recording = read_recording(path)
    time, x = recording.time, recording.channels
    assert time[1] == pytest.approx(0.1)
    assert x["engine_torque"] == pytest.approx(torque_at(time), abs=0.2)
    assert x["coolant_temperature"] == pytest.approx(80 + time / 10, abs=0.02)
    wanted = np.select([time < 70, time < 130, time < 200], [0, 1, 2], 0)
    assert (x["gear"] == wanted).mean() > 0.998
    (left_out,) = [one for one in recording.findings if one.kind == "left_out"]
    assert "motor torque holds no numbers but words such as 'a'" in left_out.text


def test_a_recording_has_a_step_that_suits_its_channels(write):
    """1 Hz all over: the cycle's second; 4 Hz: a quarter of it; 100 Hz: 0.1 s and no less."""
    head = "time [s],speed [km/h],engine torque [Nm]\n"
    for rate, step in ((1, 1.0), (4, 0.25), (100, 0.1)):
        time = stamps(rate)
        recording = read_recording(write(head + rows(time, 3.6 * speed_at(time), torque_at(time))))
        assert recording.time[1] == pytest.approx(step)
