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


@pytest.mark.parametrize("names", ["time [s],{0}", "t_{2} [s],{0}", "Time_{1:.0f}Hz [s],{0}"])
def test_each_column_goes_by_the_column_of_time_before_it(write, names):
    """Pairs of columns of different length: 10, 5 and 1 Hz, the last 0.04 s later."""
    clocks = [stamps(10.0), stamps(5.0), stamps(1.0) + 0.04]
    heads = ["speed [km/h]", "engine torque [Nm]", "soc [%]"]
    values = [3.6 * speed_at(clocks[0]), torque_at(clocks[1]), 60 - clocks[2] / 40]
    columns = [x for pair in zip(clocks, values, strict=True) for x in pair]
    lines = [
        ",".join(f"{x[i]:.5f}" if i < x.size else "" for x in columns)
        for i in range(clocks[0].size)
    ]
    rates = (10.0, 5.0, 1.0)
    pairs = zip(heads, rates, strict=True)
    head = ",".join(names.format(one, rate, one.partition(" [")[0]) for one, rate in pairs)
    recording = read_recording(write("\n".join([head, *lines]) + "\n"))
    time, x = recording.time, recording.channels
    assert "column of time before it" in recording.drive.log.kind
    inside = slice(10, -20)
    assert x["engine_torque"][inside] == pytest.approx(torque_at(time)[inside], abs=0.2)
    assert x["soc"][inside] == pytest.approx((0.60 - time / 4000)[inside], abs=1e-5)
    assert recording.drive.cleaned.values == pytest.approx(
        speed_at(recording.drive.cleaned.time),
        abs=0.15,  # next to rest it is 0
    )


@pytest.mark.parametrize(
    ("column", "values", "code"),
    [
        ("engine torque [Nm]", lambda t: np.round(torque_at(t)), 1023),
        ("soc [%]", lambda t: np.round(60 - t / 40, 1), 127.5),
        ("soc [%]", lambda t: np.round(60 - t / 40, 1), 0),
        ("coolant temperature [degC]", lambda t: 89 + np.round(t / 240), 215),
        ("gear [-]", lambda t: 1 + np.floor(t / 40) % 6, 15),
    ],
)
def test_values_that_stand_for_none_are_taken_as_none_and_told(write, column, values, code):
    """Each in a tenth of the samples, half a second at a time; lines close the gaps."""
    time = stamps()
    marked = np.arange(time.size) % 50 > 44
    head = f"time [s],speed [km/h],{column}\n"
    cells = [values(time), np.where(marked, code, values(time))]
    read = [read_recording(write(head + rows(time, 3.6 * speed_at(time), y))) for y in cells]
    (name,) = [x for x in read[0].channels if x != "speed"]
    (told,) = [one for one in read[1].findings if one.kind == "placeholder"]
    assert told.channels == (name,) and f"is {code:g} in {marked.sum()} samples" in told.text
    assert not [one for one in read[0].findings if one.kind == "placeholder"]
    known = np.isfinite(read[1].channels[name])
    assert known.mean() > (0.85 if name == "gear" else 0.99)  # a gear that shows a code is unknown
    wanted, got = (one.channels[name][known] for one in read)
    assert got == pytest.approx(wanted, rel=0.02)


@pytest.mark.parametrize(
    ("time", "text"),
    [
        (lambda t: f"2024-06-03 09:{int(t // 60):02d}:{t % 60:06.3f} +0200", "with zone"),
        (lambda t: f"2024-06-03 09:{int(t // 60):02d}:{t % 60:06.3f} CEST", "without zone"),
        (lambda t: f'"{1000 * t:,.1f}"', "ms"),
    ],
)
def test_zones_apart_and_thousands(write, time, text):
    clock = stamps(1.0)
    head = f"time{' [ms]' if text == 'ms' else ''},speed [km/h],battery voltage [V]\n"
    lines = [f"{time(t)},{3.6 * v:.4f},270" for t, v in zip(clock, speed_at(clock), strict=True)]
    drive = read_recording(write(head + "\n".join(lines) + "\n")).drive
    assert drive.cycle.duration == pytest.approx(clock[-1], abs=1.0)
    assert any(one.name == "time_unit" and text in one.text for one in drive.done)


@pytest.mark.parametrize(
    ("column", "words"),
    [
        ("engine torque [%]", "a hundredth of it, such as --channel engine_torque=engine torque"),
        ("fuel consumption [g]", "a sum of fuel and no rate"),
        ("gear", "tells no gear forward"),
    ],
)
def test_what_cannot_be_read_is_told_with_what_to_do(write, column, words):
    time = stamps(1.0)
    cells = ["D" if column == "gear" else f"{t:.1f}" for t in time]
    triples = zip(time, speed_at(time), cells, strict=True)
    lines = [f"{t:.1f},{3.6 * v:.3f},{c}" for t, v, c in triples]
    head = f"time [s],speed [km/h],{column}"
    recording = read_recording(write("\n".join([head, *lines]) + "\n"))
    (left_out,) = [one for one in recording.findings if one.kind == "left_out"]
    assert words in left_out.text
