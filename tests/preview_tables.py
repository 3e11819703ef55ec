"""Hand-made preview maps for the plain driveline: smooth, small, with awkward digits."""

import numpy as np
from makers import plain_driveline
from rule_tables import TRAINING

from hybridopt import Settings
from hybridopt.controllers import preview_kernels as kernels
from hybridopt.controllers.maps import Map
from hybridopt.controllers.preview import Preview, PreviewMaps
from hybridopt.inputs.driveline import Vehicle
from hybridopt.tables.preview_form import DRIVELINE
from hybridopt.tables.preview_set import make_preview_set
from hybridopt.tables.rule_set import Origin, gearbox_facts

KNOWN = {
    "idle_speed": 84.0,
    "highest_speed": 520.0,
    "highest_motor_speed": 610.0,
    "launch_speed": 120.0,
    "launch_capacity": 260.0,
    "launch_gears": 1.0,
    "pump_speed": 0.0,
    "recuperated_share": 0.8,
    "fade_low": 1.5,
    "fade_high": 4.0,
    "inertia_off": 0.06,
    "inertia_on": 0.21,
    "rest_power": 310.0,
    "coast_power": 300.0,
    "pump_power": 40.0,
    "idle_power": 330.0,
    "start_duration": 0.4,
}
"""Constants of the driveline, SI."""


def costs(seed):
    """Return maps of cost and torque that bend as those of an engine and a motor do."""
    random = np.random.default_rng(seed)
    speeds, torques = np.array([84.0, 200.0, 350.0, 520.0]), np.linspace(-150.0, 400.0, 9)
    factors = 7e-5 * np.array([0.6, 1.0, 1.6])
    speed, torque, factor = np.meshgrid(speeds, torques, factors, indexing="ij")
    power = speed * torque
    rough = random.uniform(0.97, 1.03, speed.shape)
    running = (0.1 + 4.5e-5 * np.maximum(power, 0.0) ** 1.02 + 0.7 * factor * power) * rough
    start = (0.3 + 1e-3 * speed + 2e-3 * np.maximum(torque, 0.0)) * rough
    axes = speeds, torques, factors
    off_speeds, off_torques = np.array([20.0, 150.0, 400.0, 610.0]), np.linspace(-150.0, 150.0, 7)
    off = off_speeds[:, None] * off_torques[None]
    off = np.where(off > 0.0, off / 0.85, off * 0.8) + 400.0 + 0.01 * np.abs(off_torques)[None] ** 2
    engine = np.array([0.0, 60.0, 130.0, 210.0])
    fuel = (0.08 + 6e-5 * speeds[:, None] * engine[None] ** 1.05) * rough[:, :4, 0]
    return {
        "motor_power": Map((off_speeds, off_torques), off),
        "fuel": Map((speeds, engine), fuel),
        "off_limit": Map((off_speeds,), np.array([148.0, 140.0, 80.0, 45.0])),
        "running_cost": Map(axes, running),
        "start_cost": Map((*axes[:2], factors[::2]), start[..., ::2]),
        "running_limit": Map((speeds,), np.array([260.0, 330.0, 310.0, 240.0])),
        "start_limit": Map((speeds,), np.array([150.0, 190.0, 160.0, 90.0])),
        "overrun": Map((speeds,), np.array([-14.0, -18.0, -24.0, -31.0])),
        "drag": Map((off_speeds,), np.array([0.4, 0.7, 1.3, 2.1])),
    }


def expected(seed, gears):
    """Return costs behind the horizon that fall with no state of engine and gear in particular."""
    random = np.random.default_rng(seed)
    axes = (
        np.array([0.0, 8.0, 18.0, 35.0]),
        np.array([-2.0, -0.3, 0.4, 1.5]),
        np.arange(2.0 * gears),
    )
    return Map(axes, random.uniform(0.0, 0.8, [axis.size for axis in axes]))


def hand_made_preview(title="made by hand", seed=1, settings=None, **parameters):
    """Return a predictive controller of hand-made maps."""
    driveline = plain_driveline()
    facts = gearbox_facts(driveline)
    gears = facts.ratios.size
    constants = np.zeros(kernels.CONSTANTS)
    for name, (place, *_) in DRIVELINE.items():
        constants[place] = KNOWN[name]
    vehicle = Vehicle(
        mass=1510.0, rolling_resistance=0.0101, drag_area=0.63, wheel_radius=0.3, wheel_inertia=3.1
    )
    constants[kernels.RADIUS] = vehicle.wheel_radius
    steps = np.abs(np.subtract.outer(facts.ratios, facts.ratios))
    maps = PreviewMaps(
        factor=7e-5,
        **costs(seed),
        expected=expected(seed, gears),
        shift_fuel=np.stack([0.0 * steps, 1.1e-5 * steps**2, 1.3e-5 * steps**2]),
        ratio=facts.ratios,
        efficiency=facts.efficiencies,
        gear_drag=facts.drag_torques,
        constants=constants,
        vehicle=vehicle,
        training=("wltc_class3b", "a, b"),
    )
    given = {"min_on": 2.0, "min_off": 3.0, "min_gear": 1.5, "horizon": 6.0, "destination": True}
    preview = Preview(maps=maps, **(given | parameters))
    settings = (settings or Settings(start_cost=0.02)).resolved(driveline)
    origin = Origin(title, "plain", maps.training, TRAINING, "0.1.0")
    return make_preview_set(preview, driveline, settings, origin)
