"""Entries of the arrays that the kernels of a step hand on: row, shaft and point.

A `row` is what is asked of a step; a `shaft` is what one gear and engine class make of it; a
`point` is one motor torque on that shaft. All entries are in SI units.
"""

# entries of a row: what is asked of a step
(
    R_SPEED,
    R_WHEEL_SPEED,
    R_WHEEL_ACCELERATION,
    R_WHEEL_TORQUE,
    R_DT,
    R_MOTOR_SHARE,
    R_BATTERY_SHARE,
    R_SLIP,
    R_FUEL_FACTOR,
    R_ENGINE_NEEDED,
    R_AUXILIARY_OFF,
    R_AUXILIARY_ON,
    R_GRADE,
    R_DRAG_FACTOR,
    R_FRICTION_FACTOR,
    R_HEATER,
    R_OIL,
    R_CATALYST,
    R_SIZE,
) = range(19)
# entries of a shaft; S_WORK is the share of the step in which the engine works, S_LUGGING what the
# lugging line takes off full load in S_FULL
(
    S_ON,
    S_ENGINE,
    S_MOTOR,
    S_INPUT,
    S_TOTAL,
    S_LOW,
    S_HIGH,
    S_INERTIA,
    S_FULL,
    S_OVERRUN,
    S_DRAG,
    S_CLUTCH,
    S_START,
    S_RATIO,
    S_EFFICIENCY,
    S_GEAR_DRAG,
    S_AUXILIARY,
    S_WORK,
    S_COAST,
    S_CAPACITY,
    S_POWER_MIN,
    S_POWER_MAX,
    S_LUGGING,
    S_RECUPERATION,
    S_SIZE,
) = range(25)
# entries of a point
(
    P_ENGINE_TORQUE,
    P_MOTOR_TORQUE,
    P_BRAKE_TORQUE,
    P_FUEL_RATE,
    P_BATTERY_POWER,
    P_ENGINE_SPEED,
    P_MOTOR_SPEED,
    P_CLUTCH,
    P_MOTOR_LOSS,
    P_SLIP_LOSS,
    P_GEARBOX_LOSS,
    P_SHAFT_INERTIA,
    P_START_POWER,
    P_AUXILIARY,
    P_SIZE,
) = range(15)
POINT_NAMES = (
    "engine_torque",
    "motor_torque",
    "brake_torque",
    "fuel_rate",
    "battery_power",
    "engine_speed",
    "motor_speed",
    "launch_clutch",
    "motor_loss",
    "clutch_loss",
    "gearbox_loss",
    "shaft_inertia_power",
    "start_power",
    "auxiliary_power",
)
