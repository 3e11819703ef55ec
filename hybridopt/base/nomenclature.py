"""The one list of names: every variable of a result, its unit and meaning.

Code, files, plots and documents use these names and no others; tests check it.
"""

from typing import NamedTuple


class Quantity(NamedTuple):
    """Unit and meaning of a name; positive torque and power propel or discharge."""

    unit: str
    meaning: str


STEP_VARIABLES = {
    "dt": Quantity("s", "length of the step"),
    "speed": Quantity("m/s", "mean vehicle speed of the step"),
    "acceleration": Quantity("m/s2", "vehicle acceleration"),
    "wheel_speed": Quantity("rad/s", "speed of the wheels"),
    "wheel_torque": Quantity("N m", "torque wanted at the wheels"),
    "mode": Quantity("1", "operating mode, a code of hybridopt.Mode"),
    "gear": Quantity("1", "gear engaged, 1 is first gear"),
    "engine_on": Quantity("1", "1 while the engine runs or is being started"),
    "engine_start": Quantity("1", "1 in steps of an engine start, which may take several"),
    "launch_clutch": Quantity("1", "launch clutch: 0 locked, 1 slipping, 2 open"),
    "engine_speed": Quantity("rad/s", "speed of the engine"),
    "engine_torque": Quantity("N m", "torque of the engine"),
    "motor_speed": Quantity("rad/s", "speed of the motor"),
    "motor_torque": Quantity("N m", "torque of the motor, its drag while unpowered"),
    "motor_powered": Quantity("1", "1 while the inverter is on"),
    "brake_torque": Quantity("N m", "torque of the friction brakes at the wheels, 0 or negative"),
    "fuel_rate": Quantity("g/s", "fuel rate, start and shift fuel included"),
    "battery_power": Quantity("W", "power at the battery terminals"),
    "battery_current": Quantity("A", "battery current"),
    "battery_voltage": Quantity("V", "battery terminal voltage"),
    "soc": Quantity("1", "state of charge at the start of the step"),
    "costate": Quantity("g", "fuel worth of one unit of state of charge after the step"),
    "fuel_power": Quantity("W", "fuel rate times lower heating value"),
    "stored_power": Quantity("W", "rate at which the battery's stored energy falls"),
    "engine_loss": Quantity("W", "fuel power less shaft power of the engine and shift power"),
    "motor_loss": Quantity("W", "loss of motor and inverter"),
    "battery_loss": Quantity("W", "resistive and coulombic loss of the battery"),
    "clutch_loss": Quantity("W", "slip loss of the launch clutch"),
    "gearbox_loss": Quantity("W", "loss of gearbox and final drive"),
    "start_power": Quantity("W", "electric power that starts the engine, mean of the step"),
    "shift_power": Quantity(
        "W", "fuel power of shifts: speeding shafts up, torque missing, friction"
    ),
    "auxiliary_power": Quantity("W", "auxiliary load and electric oil pump"),
    "brake_power": Quantity("W", "power lost in the friction brakes"),
    "rolling_power": Quantity("W", "rolling resistance"),
    "drag_power": Quantity("W", "aerodynamic drag"),
    "grade_power": Quantity("W", "climbing power"),
    "inertia_power": Quantity("W", "power that accelerates vehicle and wheels"),
    "shaft_inertia_power": Quantity("W", "power that accelerates engine and motor"),
}

SOURCES = ("fuel_power", "stored_power")
SINKS = (
    "engine_loss",
    "motor_loss",
    "battery_loss",
    "clutch_loss",
    "gearbox_loss",
    "start_power",
    "shift_power",
    "auxiliary_power",
    "brake_power",
    "rolling_power",
    "drag_power",
    "grade_power",
    "inertia_power",
    "shaft_inertia_power",
)

TOTALS = {
    "fuel_g": Quantity("g", "fuel used"),
    "fuel_l_per_100km": Quantity("l/100 km", "fuel used per distance"),
    "co2_g_per_km": Quantity("g/km", "carbon dioxide, by the driveline's factor"),
    "cost_g": Quantity("g", "fuel, events, throughput, emissions as charged: what was minimised"),
    "soc_start": Quantity("1", "state of charge at the start"),
    "soc_end": Quantity("1", "state of charge at the end"),
    "starts": Quantity("1", "engine starts"),
    "stops": Quantity("1", "times the engine comes to rest"),
    "run_down_kJ": Quantity("kJ", "rotor energy lost where the engine comes to rest, mean"),
    "start_rotor_kJ": Quantity("kJ", "energy of all starts that speeds rotors up"),
    "start_slip_kJ": Quantity("kJ", "energy of all starts lost in the slipping clutch"),
    "start_friction_kJ": Quantity("kJ", "energy of all starts lost in engine friction"),
    "start_conversion_kJ": Quantity("kJ", "energy of all starts lost by their efficiency"),
    "reengaged_kJ": Quantity("kJ", "rotor energy taken from the vehicle after coasting, no cost"),
    "battery_throughput_kWh": Quantity("kWh", "energy in and out at the battery's terminals"),
    "throughput_cost_g": Quantity("g", "what that is charged in the cost, as a price of wear"),
    "shifts": Quantity("1", "gear shifts"),
    "distance_km": Quantity("km", "distance driven"),
    "duration_s": Quantity("s", "duration"),
    "energy_residual": Quantity("1", "misfit of the energy balance in steps, over throughput"),
}

ROTOR_TOTALS = {
    "rotor_shift_loss_kJ": Quantity("kJ", "rotor energy that gear shifts take"),
    "rotor_stop_loss_kJ": Quantity("kJ", "rotor energy lost where the engine stops"),
    "rotor_clutch_loss_kJ": Quantity(
        "kJ", "rotor energy lost as the launch clutch opens or closes"
    ),
    "rotor_shift_paid_kJ": Quantity("kJ", "rotor energy that shifts give and are charged for"),
    "rotor_overpaid_kJ": Quantity("kJ", "rotor energy charged to starts and shifts but not given"),
    "rotor_unpaid_kJ": Quantity("kJ", "rotor energy gained at the launch clutch, no cost"),
    "rotor_kept_kJ": Quantity("kJ", "rotor energy at the end less that at the start"),
    "cycle_residual": Quantity("1", "misfit of the balance of the whole drive, over throughput"),
}
"""Of what rotors gain and lose between steps; absent in files of earlier versions.

`energy_shaft_inertia_kJ`, what they take within steps, is what is kept, the losses and what is
overpaid, less what is unpaid, paid by shifts and by starts (`start_rotor_kJ`).
"""

BOUND_TOTALS = {
    "bound_g": Quantity("g", "proved lower limit of the cost, of a drive's at equal SoC"),
    "gap_percent": Quantity(
        "%",
        "gap: cost, of a drive at equal SoC, above the bound, % of it; no other grid's bound is "
        "higher by more",
    ),
    "gap_cause": Quantity("1", "what dominates a gap above 0.1 %; empty below"),
    "bound_s": Quantity("s", "time the bound took"),
    "corridor_width": Quantity("1", "mean width of the SoC corridor that was swept"),
}

EQUAL_TOTALS = {
    "fuel_equal_g": Quantity("g", "fuel at equal SoC: brought to the optimum's final SoC"),
    "cost_equal_g": Quantity("g", "cost at equal SoC: brought to the optimum's final SoC"),
    "fuel_above_optimum_percent": Quantity(
        "%", "fuel at equal SoC above the optimum's fuel, % of it"
    ),
    "cost_above_optimum_percent": Quantity(
        "%", "cost at equal SoC above the optimum's cost, % of it"
    ),
}
"""Present where a controller drove."""

CHARGE_TOTALS = {
    "charge_change_Wh": Quantity("Wh", "stored energy at the end less that at the start"),
    "charge_balance_percent": Quantity("%", "size of that change, % of the fuel energy"),
    "charge_limit_percent": Quantity("%", "balance above which a correction is due"),
    "fuel_per_kWh_g": Quantity("g/kWh", "fuel that stored energy is worth: the multiplier"),
    "fuel_corrected_g": Quantity("g", "fuel corrected for the change of charge by that factor"),
    "co2_corrected_g_per_km": Quantity("g/km", "carbon dioxide corrected likewise"),
    "charge_factor_g_per_kWh": Quantity("g/kWh", "the factor by least squares over end states"),
    "charge_factor_deviation_g_per_kWh": Quantity("g/kWh", "standard deviation of that"),
}
"""Present where there is a bound; the last two where they were asked for."""

OIL_VARIABLES = {"oil_temperature": Quantity("C", "oil temperature at the start of the step")}
"""Of the steps, with the setting ambient_temperature."""

OIL_TOTALS = {
    "oil_start_C": Quantity("C", "oil temperature at the start"),
    "oil_end_C": Quantity("C", "oil temperature at the end"),
    "oil_warm_s": Quantity("s", "time until nine tenths of the way to the warm temperature"),
    "heater_kJ": Quantity("kJ", "electric heat for the cabin"),
    "cabin_missing_kJ": Quantity("kJ", "heat that the cabin wanted and did not get"),
}
"""Present with the setting ambient_temperature."""

SPECIES_SHORT = {"nox": "NOx", "hc": "HC", "co": "CO", "particulates": "particulates"}
SPECIES = {
    "nox": "nitrogen oxides",
    "hc": "hydrocarbons",
    "co": "carbon monoxide",
    "particulates": "particulates",
}
"""What an engine emits beside CO2, as far as its driveline gives maps."""

EMISSION_VARIABLES = {
    f"{name}_rate": Quantity("g/s", f"{text} that leave the engine")
    for name, text in SPECIES.items()
}
"""Of the steps, for each map of the driveline's engine."""

EMISSION_TOTALS = {
    **{
        f"{name}_g": Quantity("g", f"{text} that leave the engine")
        for name, text in SPECIES.items()
    },
    **{
        f"{name}_tailpipe_g": Quantity("g", f"{text} that leave the catalyst")
        for name, text in SPECIES.items()
    },
    "catalyst_lit_s": Quantity("s", "time from the start until the catalyst is lit"),
    "emission_cost_g": Quantity("g", "what emissions are charged in the cost"),
    **{
        f"{name}_price": Quantity("g/g", f"fuel charged per gram of {text}")
        for name, text in SPECIES.items()
    },
    "limits_bound_g": Quantity(
        "g", "proved lower limit of the cost within limits, that of limited emissions left out"
    ),
    "limits_gap_percent": Quantity("%", "cost, that of limited emissions left out, above it"),
}
"""Present where the driveline gives the maps, a catalyst, and the settings prices or limits."""

THERMAL_TOTALS = {
    "clutch_peak_C": Quantity("C", "highest temperature of the launch clutch"),
    "clutch_over_s": Quantity("s", "time in steps that end with the launch clutch too hot"),
    "motor_budget_peak": Quantity(
        "1", "highest overload budget of the motor, 1 is continuous load"
    ),
    "motor_over_s": Quantity("s", "time in steps that end above the motor's budget"),
    "battery_budget_peak": Quantity("1", "highest overload budget of the battery"),
    "battery_over_s": Quantity("s", "time in steps that end above the battery's budget"),
    "thermal_rounds": Quantity("1", "rounds of tightening until all limits were kept"),
}
"""Present where the driveline gives the limits, the last one with the setting thermal_limits."""

COMFORT_TOTALS = {
    "lugging_limit_s": Quantity("s", "time with the engine's torque at the lugging line"),
    "torque_rise_limit_s": Quantity("s", "time in steps whose engine torque rises at its limit"),
    "torque_rise_passed_s": Quantity("s", "time in those of them that pass it"),
    "torque_fall_limit_s": Quantity("s", "time in steps whose engine torque falls at its limit"),
    "torque_fall_passed_s": Quantity("s", "time in those of them that pass it"),
    "no_start_s": Quantity("s", "time with the engine off at speeds without a start"),
    "no_stop_s": Quantity("s", "time with the engine on at speeds without a stop"),
}
"""Present where a driveline or the settings limit them for comfort."""
