"""Vehicles of variants, and what makes two tasks the same."""

import dataclasses

import numpy as np
import pytest
from study_makers import FEW, write_study

from hybridopt import read_driveline, solve_cycle
from hybridopt.base.units import AH
from hybridopt.inputs.cycle import read_cycle
from hybridopt.inputs.driveline_file import driveline_tables
from hybridopt.physics.demand import wheel_demand
from hybridopt.physics.operating_points import list_operating_points
from hybridopt.study.plan import read_plan
from hybridopt.study.scaling import scaled
from hybridopt.study.tasks import TaskSolver


def plan(tmp_path, parameters=FEW, **more):
    return read_plan(write_study(tmp_path, parameters, **more))


def driveline(tmp_path, parameters):
    made = plan(tmp_path, parameters)
    return made.builder.variant(made.tasks[0].values).driveline()


def test_keys_are_those_of_the_driveline_file(tmp_path):
    """Each number against the same number read from a file with a base."""
    made = driveline(
        tmp_path,
        """
[parameters]
"battery.capacity_Ah" = [7]
"gearbox.ratios" = [[4, 3, 2.5, 2, 1.5, 1.2, 1, 0.8]]
"clutches.electric_oil_pump" = [true]
"auxiliary.power_kW" = [0.6]
""",
    )
    file = tmp_path / "changed.toml"
    file.write_text("""base = "full"
[battery]
capacity_Ah = 7
[gearbox]
ratios = [4, 3, 2.5, 2, 1.5, 1.2, 1, 0.8]
[auxiliary]
power_kW = 0.6
""")
    read = read_driveline(file)
    for name in ("battery", "gearbox", "auxiliary", "clutches", "engine"):
        for field in dataclasses.fields(getattr(read, name)):
            one, other = (getattr(getattr(d, name), field.name) for d in (made, read))
            assert np.array_equal(one, other), f"{name}.{field.name}"
    assert made.battery.capacity == 7 * AH


def test_a_model_is_sampled_anew(tmp_path):
    file = tmp_path / "simple.toml"
    file.write_text("""base = "full"
[motor]
model = "polynomial"
loss_constant_W = 120
loss_W_per_rpm = 0.08
loss_W_per_Nm2 = 0.07
max_torque_Nm = 200
max_power_kW = 60
max_speed_rpm = 6500
""")
    text = '[parameters]\n"motor.max_torque_Nm" = [150, 200]\n'
    made = plan(tmp_path, text, head='cycles = ["ece15"]\ndriveline = "simple.toml"\n')
    peaks = [made.builder.variant(t.values).driveline().motor.peak_torque for t in made.tasks]
    assert [float(peak.max()) for peak in peaks] == [150, 200]
    assert driveline_tables(file)["motor"]["max_torque_Nm"] == 200


def test_added_mass_counts_from_the_drivelines_own_figure(tmp_path):
    made = plan(
        tmp_path,
        """
[parameters]
"battery.capacity_Ah" = [5.4, 6.4, 8.4]
"scale.motor" = [1, 1.5]
[added_mass_kg]
"battery.capacity_Ah" = 10
"scale.motor" = 40
""",
    )
    masses = [made.builder.variant(t.values).driveline().vehicle.mass for t in made.tasks]
    assert masses == pytest.approx([1690, 1710, 1700, 1720, 1720, 1740])


def test_cells_in_parallel_share_power():
    """n equal cells at power P lose n times what one loses at P / n, for the same time."""
    one = read_driveline("full")
    three = scaled(one, {"battery": 3.0})
    cells, cell = (d.battery.table.sel(soc=0.6) for d in (three, one))
    for name in ("power_discharge_max", "power_charge_max"):
        assert float(cells.sel(quantity=name)) == pytest.approx(3 * float(cell.sel(quantity=name)))
    voltage = float(cell.sel(quantity="open_circuit_voltage"))

    def loss(table, power):
        resistance = float(table.sel(quantity="resistance_discharge"))
        current = (voltage - np.sqrt(voltage**2 - 4 * resistance * power)) / (2 * resistance)
        return resistance * current**2

    assert loss(cells, 15e3) == pytest.approx(3 * loss(cell, 5e3), rel=1e-12)
    assert three.battery.capacity == pytest.approx(3 * one.battery.capacity)


def test_a_vehicle_scaled_in_all_parts_scales_its_powers():
    """Twice everything, mass, drag and load included: twice the power and fuel of every choice."""
    one = read_driveline("full")
    vehicle = dataclasses.replace(
        one.vehicle,
        mass=2 * one.vehicle.mass,
        drag_area=2 * one.vehicle.drag_area,
        wheel_inertia=2 * one.vehicle.wheel_inertia,
    )
    gearbox = dataclasses.replace(
        one.gearbox, drag_torques=tuple(2 * drag for drag in one.gearbox.drag_torques)
    )
    two = dataclasses.replace(
        scaled(one, {"engine": 2.0, "motor": 2.0, "battery": 2.0}),
        vehicle=vehicle,
        gearbox=gearbox,
        start=dataclasses.replace(
            one.start, fuel=2 * one.start.fuel, torque_reserve=2 * one.start.torque_reserve
        ),
        clutches=dataclasses.replace(
            one.clutches,
            launch_capacity=2 * one.clutches.launch_capacity,
            oil_pump_power=2 * one.clutches.oil_pump_power,
        ),
        auxiliary=dataclasses.replace(one.auxiliary, power=2 * one.auxiliary.power),
    )
    cycle = read_cycle("ece15")
    single, double = (
        list_operating_points(d, wheel_demand(d.vehicle, cycle), 15) for d in (one, two)
    )
    np.testing.assert_array_equal(single.count, double.count)
    np.testing.assert_allclose(double.power, 2 * single.power, rtol=1e-9, atol=1e-6)
    np.testing.assert_allclose(double.cost, 2 * single.cost, rtol=1e-9, atol=1e-12)


# what makes tasks equal


def digests(tmp_path, parameters=FEW, **more):
    return [task.digest for task in plan(tmp_path, parameters, **more).tasks]


def test_new_values_leave_the_old_tasks_as_they_are(tmp_path):
    more = '[parameters]\n"battery.capacity_Ah" = [3, 4, 6.4]\n"scale.motor" = [1, 2]\n'
    old, new = digests(tmp_path), digests(tmp_path, more)
    assert set(old) < set(new) and len(set(new)) == 6


def test_what_does_not_matter_is_not_hashed(tmp_path):
    """The file's words, and a value that the driveline has anyway."""
    file = tmp_path / "mine.toml"
    file.write_text(
        '# a comment\nbase = "full"\nname = "mine"\n[battery]\nsoc_max_percent = 80.0\n'
    )
    head = 'cycles = ["ece15"]\ndriveline = "{}"\n'
    plain = digests(tmp_path, head=head.format("full"))
    assert plain == digests(tmp_path, head=head.format("mine.toml"))
    same = FEW + '"vehicle.mass_kg" = [1700]\n"scale.engine" = [1]\n"settings.splits" = [61]\n'
    assert plain == digests(tmp_path, same, head=head.format("full"))


@pytest.mark.parametrize(
    ("top", "settings"),
    [
        ("bound = false\n", ""),
        ('traces = ["soc"]\n', ""),
        ("", "start_cost_g = 0.1\n"),
        ("", "soc_points = 202\n"),
        ('cycles = ["eudc"]\n', ""),
    ],
)
def test_what_matters_is_hashed(tmp_path, top, settings):
    base = "[settings]\nsplits = 15\n"
    head = 'cycles = ["ece15"]\n' if "cycles" not in top else ""
    before = digests(tmp_path, head='cycles = ["ece15"]\n' + base)
    after = digests(tmp_path, head=head + base + settings, top=top)
    assert not set(before) & set(after)


def test_a_changed_map_is_another_task(tmp_path):
    table = tmp_path / "cells.csv"
    rows = (
        "soc_percent,open_circuit_voltage_V,resistance_discharge_ohm,resistance_charge_ohm,"
        "power_discharge_max_kW,power_charge_max_kW"
    )
    text = '[parameters]\n"battery.table_csv" = ["cells.csv"]\n'
    found = []
    driveline = tmp_path / "mine.toml"
    driveline.write_text('base = "full"\n')
    for voltage in (260, 261):
        table.write_text(f"{rows}\n30,{voltage},0.1,0.1,60,50\n90,280,0.1,0.1,60,50\n")
        found += digests(tmp_path, text, head='cycles = ["ece15"]\ndriveline = "mine.toml"\n')
    assert len(set(found)) == 2


# shared work


def test_only_tasks_with_equal_operating_points_share_them(tmp_path):
    made = plan(
        tmp_path,
        """
[parameters]
"battery.capacity_Ah" = [4, 5]
"battery.soc_start_percent" = [55, 60]
"settings.start_cost_g" = [0, 1]
"scale.motor" = [0.8, 1]
"vehicle.mass_kg" = [1600, 1700]
"scale.battery" = [1, 2]
""",
    )
    shared = {task.points_digest: set() for task in made.tasks}
    for task in made.tasks:
        shared[task.points_digest].add(task.values[3:])
    assert len(shared) == 8 and all(len(values) == 1 for values in shared.values())


@pytest.mark.long
def test_shared_work_changes_no_bit(tmp_path):
    """Each task of a batch against a solve of its own."""
    made = plan(
        tmp_path,
        """
[parameters]
"battery.capacity_Ah" = [4, 6.4]
"settings.start_cost_g" = [0, 0.4]
"settings.soc_start_percent" = [50, 60]
""",
    )
    assert len({task.points_digest for task in made.tasks}) == 1
    solver = TaskSolver()
    for task in made.tasks:
        given = made.task_input(task)
        values, result = solver.solve(given)
        vehicle = given.variant.driveline()
        alone = solve_cycle(given.cycle, vehicle, given.variant.settings, bound=False)
        assert values["fuel_g"] == alone.fuel_g and values["cost_g"] == alone.cost_g
        np.testing.assert_array_equal(result.dataset["soc"], alone.dataset["soc"])
