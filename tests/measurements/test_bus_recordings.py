"""Bus recordings decoded with a DBC file, against cantools (a reference library)."""

import functools
import math
from importlib.util import find_spec

import numpy as np
import pytest
from log_makers import assert_the_drive, speed_at, stamps

from hybridopt import InputError, import_drive, read_recording
from hybridopt.measurements import bus_signals
from hybridopt.measurements.bus_frames import read_trace
from hybridopt.measurements.bus_log import signal_values
from hybridopt.measurements.bus_signals import BusSignal, raw_numbers, read_dbc, usable_signals
from hybridopt.measurements.channels import ColumnRequest

pytestmark = pytest.mark.skipif(find_spec("cantools") is None, reason="needs cantools")
FORKED = pytest.mark.usefixtures("forked")

DBC = """VERSION ""
BU_: ECU
BO_ 291 Powertrain: 8 ECU
 SG_ EngineSpeed : 7|16@0+ (0.25,0) [0|16000] "rpm" ECU
 SG_ EngineTorque : 16|12@1- (0.5,0) [-1000|1000] "Nm" ECU
 SG_ FuelRate : 32|16@1+ (0.001,0) [0|0] "g/s" ECU
 SG_ Gear : 51|4@0+ (1,0) [0|15] "" ECU
BO_ 2566848512 Battery: 8 ECU
 SG_ Page M : 0|4@1+ (1,0) [0|15] "" ECU
 SG_ BatteryVoltage m0 : 8|16@1+ (0.1,0) [0|1000] "V" ECU
 SG_ BatteryCurrent m1 : 15|16@0- (0.1,0) [-3000|3000] "A" ECU
 SG_ BatterySoc m1 : 32|32@1- (1,0) [0|100] "%" ECU
BO_ 80 Wheels: 4 ECU
 SG_ VehicleSpeed : 0|16@1+ (0.01,0) [0|400] "km/h" ECU
VAL_ 291 Gear 13 "P" 14 "N" 15 "not available" ;
SIG_VALTYPE_ 2566848512 BatterySoc : 1;
"""


@pytest.fixture
def dbc(write):
    return write(DBC, "car.dbc")


@functools.cache
def frames():
    """Return time, identifier and bytes of a drive, encoded by cantools."""
    import cantools  # takes seconds

    database = cantools.database.load_string(DBC)
    made = []
    for number, time in enumerate(stamps(8)):
        gear = ["P", 1, 2, 3][int(time // 60) % 4]
        powertrain = {
            "EngineSpeed": 1000 + time,
            "EngineTorque": -50 + time / 2,
            "FuelRate": 0.5 + time / 1000,
            "Gear": gear,
        }
        made.append((time, 291, database.encode_message("Powertrain", powertrain)))
        speed = {"VehicleSpeed": 3.6 * float(speed_at(time))}
        made.append((time, 80, database.encode_message("Wheels", speed)))
        battery = {"Page": number % 2}
        battery |= (
            {"BatteryCurrent": 10 - time / 10, "BatterySoc": 60 - time / 100}
            if number % 2
            else {"BatteryVoltage": 250 + time / 10}
        )
        made.append((time, 0x18FF0000, database.encode_message("Battery", battery)))
    return made


def trace(made, wide=False):
    """Return a text trace."""
    rows = []
    for time, identifier, data in made:
        shown = f"{identifier:08X}" if identifier > 0x7FF else f"{identifier:03X}"
        body = f"[{len(data)}] {data.hex(' ').upper()}" if wide else f"#{data.hex().upper()}"
        rows.append(f"({1700000000 + time:.6f}) can0 {shown}{' ' if wide else ''}{body}")
    return "\n".join(rows) + "\n"


def assert_the_car(recording):
    """Compare with what was encoded, to half a bit of each signal."""
    time, x = recording.time, recording.channels
    assert_the_drive(recording.drive)
    assert x["engine_speed"] == pytest.approx((1000 + time) * math.pi / 30, abs=0.03)
    assert x["engine_torque"] == pytest.approx(-50 + time / 2, abs=0.3)
    assert x["fuel_rate"] == pytest.approx(0.5 + time / 1000, abs=0.001)
    assert x["battery_voltage"] == pytest.approx(250 + time / 10, abs=0.1)
    assert x["battery_current"] == pytest.approx(10 - time / 10, abs=0.1)
    assert x["soc"] == pytest.approx((60 - time / 100) / 100, abs=2e-5)  # a row late at the ends
    wanted = np.minimum(time // 60, 3)
    assert (x["gear"] == wanted).mean() > 0.995


def rows_of(made):
    """Return a text trace as a table with a head, events and notes between the frames."""
    head = ["date Mon Sep 1 10:00:00 am 2025", "base hex  timestamps absolute", "// version 9"]
    head += ["   0.000000 Start of measurement", "   0.0010 1  Statistic: D 12 R 0 XD 0", ""]
    rows = []
    for time, identifier, data in made:
        shown = f"{identifier:X}" + "x" * (identifier > 0x7FF)
        body = f"Rx   d {len(data)} {data.hex(' ').upper()}"
        rows.append(
            f"{time:11.6f} 1  {shown:15} {body}  Length = 0 BitCount = 119 ID = {identifier}"
        )
    return "\n".join([*head, *rows, "9999.0 1 ErrorFrame", "9999.1 1 123 Rx r", "End TriggerBlock"])


@pytest.mark.long
def test_a_table_of_frames_is_decoded(write, dbc):
    recording = read_recording(write(rows_of(frames()), "drive.asc"), dbc=[dbc])
    assert_the_car(recording)
    assert "frames_damaged" not in {one.name for one in recording.drive.done}


@pytest.mark.parametrize(("was", "head"), [("hex", "dec"), ("absolute", "relative")])
@FORKED
def test_a_table_in_other_numbers_or_times_is_refused(write, dbc, was, head):
    path = write(rows_of(frames()[:10]).replace(was, head, 1), "drive.asc")
    with pytest.raises(InputError, match=f"states base .*{head}.* write it with base hex"):
        read_recording(path, dbc=[dbc])


@pytest.mark.parametrize("wide", [False, True])
@FORKED
def test_a_text_trace_is_decoded(write, dbc, wide):
    recording = read_recording(write(trace(frames(), wide), "drive.log"), dbc=[dbc])
    assert_the_car(recording)
    assert recording.drive.log.kind == "trace of a bus, 5763 frames of 3 messages"


@FORKED
def test_frames_in_mdf_are_decoded(tmp_path, dbc):
    asammdf = pytest.importorskip("asammdf")
    made = frames()
    kind = [
        ("ID", "<u4"),
        ("IDE", "u1"),
        ("DLC", "u1"),
        ("DataLength", "u1"),
        ("DataBytes", "u1", 8),
    ]
    rows = np.zeros(len(made), [(f"CAN_DataFrame.{name}", *rest) for name, *rest in kind])
    for i, (_, identifier, data) in enumerate(made):
        content = np.frombuffer(data.ljust(8, b"\0"), np.uint8)
        rows[i] = (identifier, identifier > 0x7FF, len(data), len(data), content)
    time = np.array([t for t, _, _ in made])
    mdf = asammdf.MDF(version="4.10")
    mdf.append([asammdf.Signal(rows, time, name="CAN_DataFrame")])
    path = mdf.save(tmp_path / "drive.mf4", overwrite=True)
    mdf.close()
    recording = read_recording(path, dbc=[dbc])
    assert_the_car(recording)
    assert recording.drive.log.kind.startswith("MDF with frames of a bus")


@FORKED
def test_random_frames_as_cantools_decodes_them(write):
    """Both byte orders, signs, floats, and page by page: every value of 300 frames a message."""
    lines, random = ['VERSION ""', "BU_: E"], np.random.default_rng(7)
    for number in range(60):
        size = int(random.integers(1, 33))
        big, signed = random.integers(0, 2, 2)
        first = int(random.integers(0, 65 - size))
        start = 8 * (first // 8) + 7 - first % 8 if big else first
        sign = "-" if signed else "+"
        lines.append(f"BO_ {100 + number} M{number}: 8 E")
        lines.append(f' SG_ S : {start}|{size}@{0 if big else 1}{sign} (0.5,-3) [0|0] "" E')
    import cantools

    text = "\n".join(lines) + "\n"
    database = cantools.database.load_string(text)
    signals = {signal.identifier: signal for signal in read_dbc(write(text, "a.dbc"))}
    assert len(signals) == 60
    for message in database.messages:
        data = random.integers(0, 256, (300, 8)).astype(np.uint8)
        signal = signals[message.frame_id]
        got = signal.scale * raw_numbers(signal, data, np.full(300, 8)) + signal.offset
        wanted = [message.decode(row.tobytes())["S"] for row in data]
        assert got == pytest.approx(wanted)


@FORKED
def test_damaged_and_short_frames_are_counted_not_guessed(write, dbc):
    good = trace(frames()).splitlines()
    bad = ["(1700000000.5) can0 123#ABC", "(x) can0 123#AB", "garbage", "(1.0) can0 FFFFFFFF#00"]
    short = ["(1700000008.31) can0 123#FF", "(1700000008.32) can0 123#R"]
    path = write("\n".join([*good[:200], *bad, *short, *good[200:]]) + "\n", "drive.log")
    recording = read_recording(path, dbc=[dbc])
    done = {one.name: one.count for one in recording.drive.done}
    assert done["frames_damaged"] == 4
    assert_the_car(recording)


@FORKED
def test_values_outside_the_range_of_the_file_are_dropped_and_counted(write):
    """0xFFFF of 0.25 rpm is 16384 rpm, beyond the 16000 that the file states."""
    signal = next(s for s in read_dbc(write(DBC, "a.dbc")) if s.name == "EngineSpeed")
    text = "".join(f"({t}) can0 123#{v}0000000000\n" for t, v in enumerate(["0FA000", "FFFF00"]))
    found = read_trace(write(text, "a.log"), {291})
    _, values, beyond = signal_values("engine_speed", signal, {}, found)
    assert values[0] == 1000 and np.isnan(values[1]) and beyond == 1


@FORKED
def test_what_is_missing_is_one_sentence(write, dbc, monkeypatch):
    path = write(trace(frames()[:300]), "drive.log")
    with pytest.raises(InputError, match="is the trace of a bus.* --dbc FILE"):
        import_drive(path)
    other = write('VERSION ""\nBU_: E\nBO_ 5 A: 1 E\n SG_ S : 0|8@1+ (1,0) [0|0] "" E\n', "b.dbc")
    with pytest.raises(InputError, match="none of its 300 frames is of a message"):
        read_recording(path, dbc=[other])
    with pytest.raises(InputError, match="cannot be read as DBC"):
        read_dbc(write("BO_ x\n", "c.dbc"))
    with pytest.raises(InputError, match="holds no signal that fits"):
        read_recording(path, dbc=[write('VERSION ""\n', "d.dbc")])
    with pytest.raises(InputError, match="holds no frame of a bus"):
        read_trace(write("time,speed\n1,2\n", "a.csv"), {1})
    named = {"gear": (ColumnRequest("Powertrain.Gears"), "option")}
    with pytest.raises(InputError, match="near to it: Powertrain.Gear"):
        read_recording(path, named, dbc=[dbc])
    monkeypatch.setattr(bus_signals, "MAX_BYTES", 100)
    with pytest.raises(InputError, match="at most"):
        read_recording(path, dbc=[dbc])
    monkeypatch.setattr(bus_signals.importlib.util, "find_spec", lambda name: None)
    with pytest.raises(InputError, match="needs the package cantools; install it with"):
        read_recording(path, dbc=[dbc])


def test_a_crash_of_the_library_is_one_sentence(write, dbc, tmp_path, monkeypatch):
    child = tmp_path / "child.py"
    child.write_text("import os, signal\nos.kill(os.getpid(), signal.SIGSEGV)\n")
    monkeypatch.setattr(bus_signals, "CHILD", child)
    with pytest.raises(InputError, match="cannot be read as DBC .ended by signal 11"):
        read_dbc(dbc)


def test_signals_that_no_frame_holds_are_left_out(tmp_path):
    sound = dict(
        message="m", name="s", unit="", identifier=1, start=0, length=8, big_endian=False,
        signed=False, real=False, scale=1.0, offset=0.0, least=None, most=None, words={},
        selector=None, selected=[],
    )  # fmt: skip
    absurd = [
        {"length": 0}, {"length": 65}, {"start": -1}, {"start": 10_000}, {"start": 510},
        {"scale": math.nan}, {"scale": 0.0}, {"offset": math.inf}, {"real": True},
    ]  # fmt: skip
    left = usable_signals(tmp_path, [sound, *(sound | one for one in absurd)])
    assert len(left) == 1 and isinstance(left[0], BusSignal)
