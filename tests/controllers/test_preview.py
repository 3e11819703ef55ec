"""The predictive controller in closed loop: foresight pays, limits hold, bad input is refused."""

import dataclasses

import numpy as np
import pytest
from preview import SMALL, maps, preview, solved

from hybridopt import InputError, Predicted, Preview, read_cycle, read_driveline
from hybridopt.controllers.closed_loop import ClosedLoop
from hybridopt.controllers.foreseen import exact
from hybridopt.distillation.verify import AS_TRAINED, verify
from hybridopt.evaluation.tuning import tune
from hybridopt.inputs.cycle import SIDE
from hybridopt.physics.demand import drive_demand


def loss(case, controller):
    """Cost at equal SoC above the optimum's, %."""
    return 100.0 * (case.equal_cost(case.drive(controller)) / case.optimum_cost - 1.0)


def test_the_loss_falls_with_the_horizon_and_never_below_the_bound():
    cases = [solved("eudc"), solved("ece15")]
    losses = [
        np.mean([loss(case, preview(horizon=horizon)) for case in cases])
        for horizon in (0.0, 3.0, 30.0)
    ]
    assert losses == sorted(losses, reverse=True) and losses[-1] < 0.5 * losses[0]
    for case in cases:
        for horizon in (0.0, 3.0, 10.0, 60.0):
            drive = case.drive(preview(horizon=horizon))
            assert case.equal_cost(drive) >= case.bound.bound - 1e-9


def test_wrong_preview_costs_more_than_right_preview():
    """What is foreseen stands still all the time."""

    def standing(demand, step, intervals):
        return Predicted(*(0.0 * np.asarray(array) for array in exact(demand, step, intervals)))

    case = solved("eudc")
    right, wrong = (preview(horizon=10.0, predict=predict) for predict in (exact, standing))
    assert loss(case, right) < loss(case, wrong)


def test_knowing_the_end_brings_the_charge_closer_to_its_target():
    """Also where stored energy is taken to be worth too much, so that charge is hoarded."""
    case, dear = solved("eudc"), {"horizon": 10.0, "factor": 2.85}
    away = [case.drive(preview(destination=known, **dear)).soc_end - 0.6 for known in (False, True)]
    assert 0.0 < away[1] < 0.5 * away[0]


@pytest.mark.long
@pytest.mark.parametrize(
    "settings",
    [
        {"min_on_time": 6.0, "min_off_time": 8.0},
        {"min_gear_time": 5.0},
        {"skip_shifts": "none"},
        {"stop_speed_max": 10.0, "brake_shift_speed": 8.0},
    ],
    ids=["engine times", "gear time", "no skipping", "speeds"],
)
def test_inhibitors_are_obeyed(settings):
    """By plain Python over the trace of the drive."""
    case = solved("ece15", **settings)
    drive = case.drive(preview(horizon=5.0))
    assert not drive.clippings()["inhibitor"]
    on, gear, dt = drive.schedule.engine_class != 0, drive.schedule.gear, drive.demand.dt
    edges = np.flatnonzero(np.diff(on)) + 1
    for start, end in zip(edges[:-1], edges[1:], strict=True):
        least = settings.get("min_on_time" if on[start] else "min_off_time", 0.0)
        assert dt[start:end].sum() >= least - 1e-9
    shifts = np.flatnonzero(np.diff(gear)) + 1
    for start, end in zip(shifts[:-1], shifts[1:], strict=True):
        assert dt[start:end].sum() >= settings.get("min_gear_time", 0.0) - 1e-9
    moving = drive.demand.speed_start > 0.0
    if "skip_shifts" in settings:
        assert np.abs(np.diff(gear))[moving[1:]].max() <= 1
    stops = edges[~on[edges]]
    assert (drive.demand.speed[stops] <= settings.get("stop_speed_max", np.inf)).all()
    if "brake_shift_speed" in settings:
        braking = moving & (drive.demand.wheel_torque < 0.0)
        slow = braking & (drive.demand.speed < settings["brake_shift_speed"])
        assert not slow[shifts].any()


@pytest.mark.parametrize("name", ["full_six_speed", "mild", "micro"])
def test_every_kind_of_driveline_is_driven(name):
    case = solved("ece15", name)
    drive = case.drive(Preview(maps=maps(("ece15",), name, SMALL), horizon=5.0))
    assert drive.shortfall is None
    assert case.equal_cost(drive) >= case.bound.bound - 1e-9
    assert loss(case, Preview(maps=maps(("ece15",), name, SMALL), horizon=5.0)) < 5.0


def test_steps_of_another_length_than_the_preview_are_driven():
    driveline = read_driveline("full")
    cycle = read_cycle("ece15")
    time = np.arange(0.0, cycle.time[-1], 0.5)
    fine = dataclasses.replace(
        cycle,
        time=time,
        **{key: np.interp(time, cycle.time, getattr(cycle, key)) for key in ("speed", *SIDE)},
    )
    settings = solved("ece15").optimum.settings
    loop = ClosedLoop(driveline, drive_demand(driveline, fine), settings)
    coarse = solved("ece15").drive(preview(horizon=5.0))
    assert loop.run(preview(horizon=5.0)).cost == pytest.approx(coarse.cost, rel=0.1)


def test_tuning_gives_maps_of_the_training():
    case = solved("ece15")
    made = tune(Preview(horizon=2.0), [case]).controller
    assert made.maps.training == ("ece15",)
    assert loss(case, made) < 5.0


def test_verification_tells_seen_from_unseen_and_changes_the_vehicle():
    case = solved("ece15")
    found = verify(
        preview(horizon=3.0),
        [read_cycle("ece15")],
        case.optimum.driveline,
        case.optimum.settings,
        ["mass +10 %"],
    )
    assert {check.change for check in found} == {AS_TRAINED, "mass +10 %"}
    assert all(check.score is not None for check in found) and found[0].seen


def test_without_maps_nothing_is_driven():
    with pytest.raises(InputError, match="has no maps; make them from training cycles"):
        solved("ece15").drive(Preview())


def test_maps_for_another_gearbox_are_refused():
    with pytest.raises(InputError, match="its maps are for 8 gears, the driveline"):
        solved("ece15", "full_six_speed").drive(preview())


@pytest.mark.parametrize(
    ("given", "words"),
    [
        ({"horizon": -1.0}, "horizon is -1 s"),
        ({"horizon": 1e4}, "allowed is 0 to 600"),
        ({"horizon": np.nan}, "horizon is nan s"),
        ({"step": 0.0}, "step is 0 s"),
        ({"horizon": 100.0, "step": 0.1}, "600 intervals"),
    ],
)
def test_horizon_and_step_out_of_range_are_refused(given, words):
    with pytest.raises(InputError, match=words):
        Preview(**given)
