"""A car's own strategy: read from its channels, replayed, and placed where it truly lies.

The car is a demo vehicle, so that the gap of its strategy is known: that of the same drive in the
model, without any log (`traced_log.driven_truth`).
"""

import dataclasses

import numpy as np
import pytest
from car_log import Logger, _correlated, drive_car, hilly, measured, record
from case_counts import some
from traced_log import driven_truth

from hybridopt import Equivalence, InputError, PowerThresholds, Settings, assess, read_cycle
from hybridopt.controllers.builtin import Playback
from hybridopt.measured_car.alignment import aligned
from hybridopt.measured_car.intervals_file import read_intervals
from hybridopt.measured_car.uncertainty import gap_band
from hybridopt.measurements.recording import Finding
from hybridopt.pipeline import find_optimum
from hybridopt.plots.measured_car import plot_assessment
from hybridopt.text.assessment import assessment_record, assessment_text
from hybridopt.text.car_verdict import verdict

SETTINGS = Settings(soc_points=201, splits=15)
NEAR = 0.3  # points of the gap
CLEAN = Logger(noise=0.0, quanta=False, delay=0.0)
ROUGH = Logger(delay=0.0, seed=1)
"""Noise, and quanta such as whole km/h."""
QUANTA = Logger(noise=0.0, delay=0.0)
FINE = Settings(soc_points=1001, splits=31)


@pytest.fixture(scope="module")
def cycle():
    return hilly(read_cycle("nedc").cut(0.0, 420.0))


@pytest.fixture(scope="module")
def known(driveline, cycle):
    """A drive by thresholds, and its true score."""
    return driven_truth(driveline, cycle, PowerThresholds(), SETTINGS)


@pytest.fixture(scope="module")
def clean(driveline, known):
    return assess(record(known[0], CLEAN), driveline, SETTINGS)


def without(recording, *names):
    kept = {name: x for name, x in recording.channels.items() if name not in names}
    return dataclasses.replace(recording, channels=kept)


@pytest.mark.long
def test_clean_log_gives_the_true_gap(clean, known):
    truth = known[1]
    assert truth.gap_percent > 3.0  # there is something to find
    assert clean.gap_percent == pytest.approx(truth.gap_percent, abs=NEAR)
    assert (clean.score.starts, clean.score.shifts) == (truth.starts, truth.shifts)
    assert clean.prediction.fuel_g == pytest.approx(truth.fuel_g, rel=0.01)
    assert clean.prediction.trusted
    assert not any(source.assumed for source in clean.sources.values())


@pytest.mark.long
def test_rough_log_gives_the_true_gap(driveline):
    """A whole cycle: on a shorter one the same noise is a larger share of the fuel."""
    car, truth = driven_truth(driveline, hilly(read_cycle("nedc")), PowerThresholds(), SETTINGS)
    found = assess(record(car, ROUGH), driveline, SETTINGS)
    assert found.gap_percent == pytest.approx(truth.gap_percent, abs=NEAR)
    quanta = assess(record(car, QUANTA), driveline, SETTINGS)
    assert quanta.gap_percent == pytest.approx(truth.gap_percent, abs=NEAR)


@pytest.mark.parametrize("rate", [1.0, pytest.param(2.0, marks=pytest.mark.long)])
def test_slow_log_gives_about_the_true_gap(driveline, known, rate):
    """Its samples lie across the car's steps, each channel with a delay of its own."""
    car, truth = known
    found = assess(record(car, Logger(rate=rate, seed=3)), driveline, SETTINGS)
    assert found.gap_percent == pytest.approx(truth.gap_percent, abs=1.0)
    assert found.score.starts == pytest.approx(truth.starts, abs=1) and found.sampling == 1.0 / rate
    assert "steps begin where the engine was started and stopped" in assessment_text(found)


@pytest.mark.long
def test_optimum_has_no_gap(driveline, cycle):
    best = Playback(schedule=find_optimum(cycle, driveline, FINE).solution.schedule)
    car, truth = driven_truth(driveline, cycle, best, FINE)
    found = assess(record(car, CLEAN), driveline, FINE)
    assert found.gap_percent == pytest.approx(truth.gap_percent, abs=NEAR)
    assert found.score.cost_above_optimum_percent == pytest.approx(0.0, abs=NEAR)


def test_losses_and_places_are_told(clean, cycle):
    totals = clean.score.regret.totals
    loss = clean.score.cost_equal_g - (clean.optimum.cost_g)
    assert sum(totals.values()) == pytest.approx(loss, abs=0.5)
    place = clean.places[0]
    far = np.interp(place.moment.time, cycle.time, np.cumsum([0.0, *(cycle.mean_speed * cycle.dt)]))
    assert place.distance == pytest.approx(far, rel=0.01)
    climbed = np.cumsum([0.0, *(cycle.mean_grade * cycle.mean_speed * cycle.dt)])
    height = 200.0 + np.interp(place.moment.time, cycle.time, climbed)
    assert place.altitude == pytest.approx(height, abs=1.0)


def test_texts_begin_with_the_verdict(clean):
    text = assessment_text(clean)
    assert " ".join(text.split()).startswith(verdict(clean))
    assert max(map(len, text.splitlines())) <= 80
    assert "no uncertainty is known" in " ".join(text.split())
    record = assessment_record(clean)
    assert record["gap_percent"] == clean.gap_percent and record["band"] is None


def test_of_moments_close_together_the_costliest_is_named(clean):
    """A cheaper one that ends where the costliest begins, and one far from both."""
    worst = clean.places[0]
    kinds = ((200.0, 204.0, 3.0), (195.0, 200.0, 2.0), (20.0, 24.0, 1.0))
    places = [
        worst._replace(moment=dataclasses.replace(worst.moment, start=a, stop=b, loss=loss))
        for a, b, loss in kinds
    ]
    texts = plot_assessment(dataclasses.replace(clean, places=places)).axes[0].texts
    assert [text.get_text().split()[-2] for text in texts] == ["3.0", "1.0"]


@pytest.mark.parametrize(
    ("gone", "channels"),
    some(
        [
            (("motor_torque",), ("motor_power",)),
            (("motor_torque", "motor_power"), ("battery_voltage", "battery_current")),
            (("motor_torque", "motor_power", "battery_voltage"), ("engine_torque",)),
            (("motor_torque", "motor_power", "battery_voltage", "engine_torque"), ("fuel_rate",)),
        ]
    ),
    ids=lambda names: names[-1],
)
@pytest.mark.long
def test_missing_channels_are_made_up_for(driveline, known, gone, channels):
    found = assess(without(record(known[0], CLEAN), *gone), driveline, SETTINGS)
    assert found.sources["split"].channels == channels
    assert found.gap_percent == pytest.approx(known[1].gap_percent, abs=3.0 * NEAR)


def test_what_is_assumed_is_said(driveline, known):
    gone = ("motor_torque", "motor_power", "battery_current", "engine_torque", "fuel_rate", "gear")
    recording = without(record(known[0], CLEAN), *gone, "motor_speed")
    found = assess(recording, driveline, SETTINGS)
    assert found.sources["split"].assumed and "split" in found.in_question
    assert found.sources["gear"].channels == ("engine_speed", "speed")
    assert found.sources["gear"].unknown > 0.0  # the engine stands while the motor drives
    assert np.isnan(found.prediction.fuel_measured_g) and not found.prediction.trusted
    assert "No fuel was measured" in verdict(found)
    assert found.score.soc_end == pytest.approx(
        known[1].soc_end, abs=0.003
    )  # by the charging power
    assert "split was assumed" in " ".join(assessment_text(found).split())


def test_a_gap_in_the_log_is_not_blamed_on_the_car(driveline, known):
    """Nothing but speed is told for 60 s of driving, as in a gap that was bridged."""
    recording = record(known[0], CLEAN)
    gap = (recording.time > 240.0) & (recording.time < 300.0)
    channels = {
        name: np.where(gap & (name not in ("speed", "soc")), np.nan, x)
        for name, x in recording.channels.items()
    }
    found = assess(dataclasses.replace(recording, channels=channels), driveline, SETTINGS)
    steps = np.arange(found.driven.cycle.time.size - 1)
    inside = (steps > 240) & (steps < 299)
    assert not found.sources["engine"].told[inside].any()
    assert found.sources["engine"].told[(steps < 239) | (steps > 301)].all()
    for name, lost in found.lost_percent.items():
        told = found.sources[name].told
        by_hand = found.score.regret.causes[name][told].sum()
        assert lost == pytest.approx(100.0 * by_hand / found.score.bound_g, abs=1e-9)
    untold = sum(found.in_question.values())
    assert untold > 0.05 and "where no channel tells" in " ".join(verdict(found).split())
    assert {place.cause for place in found.places if 242 < place.moment.time < 298} <= {"not told"}


def test_a_log_without_an_engine_is_refused(driveline, known):
    recording = without(record(known[0], CLEAN), "engine_speed", "fuel_rate", "engine_torque")
    with pytest.raises(InputError, match="no channel tells whether the engine was on"):
        assess(recording, driveline, SETTINGS)


@pytest.mark.long
def test_what_the_model_cannot_do_is_clipped_and_counted(driveline, known):
    """A ninth gear, and a motor torque beyond the peak for ten seconds."""
    recording = record(known[0], CLEAN)
    gear, torque = (np.array(recording.channels[name]) for name in ("gear", "motor_torque"))
    on = np.flatnonzero(recording.channels["engine_speed"] > 50.0)[:40]
    torque[on] = -2.0 * float(driveline.motor.peak_torque.max())
    gear[-600:-500] = 9.0
    channels = {**recording.channels, "gear": gear, "motor_torque": torque}
    found = assess(dataclasses.replace(recording, channels=channels), driveline, SETTINGS)
    clipped = {one.kind: one for one in found.clipped}
    assert clipped["gear"].seconds == pytest.approx(10.0, abs=2.0)
    assert "none of the model's 8" in clipped["gear"].reason
    assert clipped["torque"].seconds >= 3.0
    assert "none of the model's 8" in " ".join(assessment_text(found).split())


def test_wrong_fuel_is_seen(driveline, known):
    recording = record(known[0], CLEAN)
    channels = {**recording.channels, "fuel_rate": 1.25 * recording.channels["fuel_rate"]}
    found = assess(dataclasses.replace(recording, channels=channels), driveline, SETTINGS)
    assert found.prediction.fuel_error_percent == pytest.approx(-20.0, abs=1.5)
    assert "Do not trust it yet" in verdict(found)
    assert found.gap_percent == pytest.approx(known[1].gap_percent, abs=NEAR)


def test_findings_of_channels_that_were_used_are_in_the_verdict(clean):
    """A frozen motor torque, of which the split is read; fuel is not what decides."""
    findings = tuple(
        Finding("frozen", (name,), f"{name} keeps one value", 0.0, 9.0)
        for name in ("motor_torque", "fuel_rate")
    )
    recording = dataclasses.replace(clean.recording, findings=findings)
    found = dataclasses.replace(clean, recording=recording)
    assert "findings doubt: motor_torque." in verdict(found)
    assert "frozen: fuel_rate keeps one value" in assessment_text(found)
    assert "findings doubt" not in verdict(clean)


@pytest.mark.long
def test_band_grows_with_the_interval(driveline, known):
    """Fuel that grows in proportion leaves a gap nearly as it is; mass moves it."""
    recording, mass = record(known[0], CLEAN), driveline.vehicle.mass
    given = {
        x: {"vehicle.mass_kg": (mass, (1.0 - x) * mass, (1.0 + x) * mass)} for x in (0.02, 0.2)
    }
    coarse = Settings(soc_points=101, splits=9)
    found = assess(recording, driveline, coarse, given[0.02], draws=2)
    wide = gap_band(recording, driveline, coarse, given[0.2], found.gap_percent, draws=2)
    bands = {0.02: found.band, 0.2: wide}
    narrow, wide = (bands[share].high - bands[share].low for share in (0.02, 0.2))
    assert 0.0 < narrow < wide
    assert bands[0.02].low <= bands[0.02].median <= bands[0.02].high
    assert bands[0.02].parameters == ("vehicle.mass_kg",)


def test_wrong_intervals_are_refused(driveline, known, tmp_path):
    with pytest.raises(InputError, match="is no interval"):
        assess(record(known[0], CLEAN), driveline, SETTINGS, {"vehicle.mass_kg": (1.0, 2.0, 3.0)})
    path = tmp_path / "intervals.json"
    path.write_text('{"estimates": [{"key": "vehicle.mass_kg", "value": 5, "low": 4, "high": 7}]}')
    assert read_intervals(path) == {"vehicle.mass_kg": (5.0, 4.0, 7.0)}
    for text in (
        "[",
        "{}",
        '{"a": [1, 2]}',
        '[{"key": "a", "value": 9, "low": 1, "high": 2}]',
        "3",
    ):
        path.write_text(text)
        with pytest.raises(InputError):
            read_intervals(path)


@pytest.mark.long
@pytest.mark.parametrize("name", some(["equivalence", "optimum"]))
def test_many_logs_of_a_long_drive(driveline, name):
    """With delays of up to 0.3 s between channels too."""
    cycle = hilly(read_cycle("nedc"))
    controller = Equivalence(factor=2.7)
    if name == "optimum":
        best = find_optimum(cycle, driveline, SETTINGS)
        controller = Playback(schedule=best.solution.schedule)
    car, truth = driven_truth(driveline, cycle, controller, SETTINGS)
    for logger in (CLEAN, QUANTA):
        found = assess(record(car, logger), driveline, SETTINGS)
        assert found.gap_percent == pytest.approx(truth.gap_percent, abs=NEAR)
    late = assess(record(car, Logger(seed=1)), driveline, SETTINGS)
    assert late.gap_percent == pytest.approx(truth.gap_percent, abs=3.0 * NEAR)


def delays_behind_speed(car, logger):
    """Return the delays that a logger draws for each channel, less that of vehicle speed."""
    time, _ = measured(car, logger)
    random, true = np.random.default_rng(logger.seed), {}
    for name in car.channels:
        true[name] = random.uniform(0.0, logger.delay)
        random.normal(size=time.size)
        _correlated(random, time.size, 1.0, 50.0)  # what the logger draws besides
    return {name: delay - true["speed"] for name, delay in true.items()}


@pytest.mark.long
def test_a_car_that_is_not_the_model(driveline):
    """In pieces of 0.05 s, cranked and shifted as a car is: fuel within 3 % of the car's."""
    cycle = hilly(read_cycle("nedc"))
    car = drive_car(driveline, cycle, PowerThresholds(), SETTINGS)
    found = assess(record(car, Logger(seed=1)), driveline, SETTINGS)
    true = delays_behind_speed(car, Logger(seed=1))
    for name in ("engine_torque", "motor_torque", "motor_power", "battery_current"):
        assert found.delays.get(name, 0.0) == pytest.approx(true[name], abs=0.08), name
    assert found.prediction.fuel_g == pytest.approx(car.fuel, rel=0.03)
    assert found.prediction.soc_end == pytest.approx(car.soc_end, abs=0.01)


@pytest.mark.long
def test_channels_that_come_late_are_moved(driveline):
    """Each channel has a delay of its own up to 0.3 s, drawn as the logger does.

    Those of shaft, motor torque and gear come back within 0.06 s; the gap was 2.22 points off with
    this seed before they were moved (1.45, 0.71 and 2.52 with the next ones).
    """
    car, truth = driven_truth(driveline, read_cycle("udds"), Equivalence(), SETTINGS)
    late = Logger(seed=0)
    true = delays_behind_speed(car, late)
    recording = record(car, late)
    moved, delays = aligned(recording, driveline)
    names = ("motor_speed", "engine_torque", "motor_torque", "motor_power", "fuel_rate", "gear")
    for name in names:
        assert delays.get(name, 0.0) == pytest.approx(true[name], abs=0.06), name
    found = assess(recording, driveline, SETTINGS)
    assert found.delays == delays and moved.time is recording.time
    assert found.gap_percent == pytest.approx(truth.gap_percent, abs=NEAR)
    assert "moved to the clock of vehicle speed" in assessment_text(found)
