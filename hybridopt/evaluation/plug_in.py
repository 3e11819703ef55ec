"""A plug-in hybrid over a cycle: depleting, sustaining, both weighted, and a trip blended best.

Procedure, break-off, range and weighting follow UN R154, Annex 8 (from memory), on optima instead
of tests and by whole cycles instead of phases.
"""

import dataclasses
import functools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import xarray as xr

from ..base.errors import InfeasibleError, InputError
from ..base.progress import Progress, silent
from ..base.units import PERCENT
from ..dp.cost_to_go import CostToGo
from ..dp.forward import Runner
from ..inputs.cycle import Cycle, join_cycles
from ..inputs.driveline import Driveline
from ..optimum.optimum import Optimum
from ..optimum.result import fuel_used
from ..physics.energy_balance import energies
from ..physics.replay import replay_schedule
from ..pipeline import Prepared, find_optimum, prepare, prepared_problem, solve_prepared
from ..problem.emission_prices import refuse_limits, with_prices
from ..problem.settings import Settings
from ..problem.size import settled

UTILITY = (26.25, -38.94, -631.05, 5964.83, -25095.0, 60380.2, -87517.0, 75513.8, -35749.0, 7154.94)
"""Coefficients of the utility factor: Regulation (EU) 2017/1151, Annex XXI, sub-annex 8, app. 5."""
REFERENCE_DISTANCE = 800e3  # m, d_n of the same
BREAK_OFF = 0.04  # of the cycle's tractive energy: change of charge below which depleting is over
MOST_CYCLES = 60
CHARGER_EFFICIENCY = 0.9  # common practice, no source
DEPLETING_PRICE = 0.3  # of stored energy, in energy of fuel: some tenth of what it is worth
LEAST_DEPTH = 0.02  # of SoC between a full battery and the level sustained


@dataclass(frozen=True)
class Leg:
    """One run of the cycle in a trip.

    Attributes
    ----------
    fuel_g : g
    drawn : J, fall of the stored energy
    soc_start, soc_end : 0 to 1
    starts : engine starts
    electric : m, distance before the engine first runs
    """

    fuel_g: float
    drawn: float
    soc_start: float
    soc_end: float
    starts: int
    electric: float


@dataclass(frozen=True, eq=False)
class PlugIn:
    """A plug-in hybrid over a cycle.

    Attributes
    ----------
    cycle, driveline : names
    distance : m, of the cycle
    depleting : the cycle repeated from a full battery until its charge no longer changes, that last
        one left out
    sustaining : the cycle at the charge that is sustained
    density, co2 : g/l and g/l, of the fuel
    charger_efficiency : stored energy over energy from the wall
    reference_distance : m, of the utility factor
    parts : drives of a trip that depletes first, then ends at the level sustained, one a cycle
    blended : the optimum of the same trip as a whole, with its bound
    """

    cycle: str
    driveline: str
    distance: float
    depleting: Sequence[Leg]
    sustaining: Leg
    density: float
    co2: float
    charger_efficiency: float
    reference_distance: float
    parts: Sequence[xr.Dataset]
    blended: Optimum

    @property
    def shares(self) -> np.ndarray:
        """Utility factor of each depleting cycle, (cycles,)."""
        ends = self.distance * np.arange(len(self.depleting) + 1)
        return np.diff(utility_factor(ends, self.reference_distance))

    @property
    def fuel(self) -> np.ndarray:
        """Fuel of each depleting cycle and of the sustaining one, g, (cycles + 1,)."""
        return np.array([leg.fuel_g for leg in (*self.depleting, self.sustaining)])

    @property
    def weighted_fuel_g(self) -> float:
        """Fuel of a cycle, weighted by the utility factor, g."""
        shares = self.shares
        return float(np.append(shares, 1.0 - shares.sum()) @ self.fuel)

    @property
    def wall_energy(self) -> np.ndarray:
        """Energy from the wall that each depleting cycle takes, J, (cycles,)."""
        return np.array([leg.drawn for leg in self.depleting]) / self.charger_efficiency

    @property
    def weighted_energy(self) -> float:
        """Energy from the wall of a cycle, weighted by the utility factor, J."""
        return float(self.shares @ self.wall_energy)

    @property
    def depleting_range(self) -> float:
        """Distance of the depleting cycles, m."""
        return self.distance * len(self.depleting)

    @property
    def electric_range(self) -> float:
        """Distance before the engine first runs, m; at most the depleting range."""
        far = 0.0
        for leg in self.depleting:
            far += leg.electric
            if leg.electric < self.distance:
                break
        return far

    @property
    def equivalent_range(self) -> float:
        """Equivalent electric range, m: that share of the depleting range that saved fuel."""
        mean = float(np.mean(self.fuel[:-1])) if self.depleting else self.sustaining.fuel_g
        saved = 1.0 - mean / self.sustaining.fuel_g if self.sustaining.fuel_g > 0.0 else 1.0
        return saved * self.depleting_range

    @property
    def parts_fuel_g(self) -> float:
        """Fuel of the trip that depletes first, g."""
        return sum(fuel_used(trace) for trace in self.parts)

    @property
    def blended_fuel_g(self) -> float:
        """Fuel of the trip blended, g."""
        return fuel_used(self.blended.trace)

    @property
    def blending_saves_percent(self) -> float:
        """How much less fuel the trip takes blended, % of that of its parts."""
        parts = self.parts_fuel_g
        return 100.0 * (1.0 - self.blended_fuel_g / parts) if parts > 0.0 else 0.0

    def litres_per_100km(self, grams: float) -> float:
        """Return the fuel of a cycle per distance, l/100 km."""
        return grams / self.density / self.distance * 1e5

    def co2_per_km(self, grams: float) -> float:
        """Return the carbon dioxide of a cycle, g/km."""
        return grams / self.density * self.co2 / self.distance * 1e3

    def kwh_per_100km(self, energy: float) -> float:
        """Return an energy of a cycle per distance, kWh/100 km."""
        return energy / 3.6e6 / self.distance * 1e5


def utility_factor(
    distance: np.ndarray | float, reference_distance: float = REFERENCE_DISTANCE
) -> np.ndarray:
    """Return the share of driving that a car does within a distance between charges, 0 to 1.

    Parameters
    ----------
    distance
        m, 0 or more, any shape.
    reference_distance
        m, d_n; 800 km in the regulation's first form, more in later ones.

    Returns
    -------
    ndarray
        Of the shape of `distance`.

    Notes
    -----
    1 - exp(-sum C_i (d/d_n)^i), Regulation (EU) 2017/1151, Annex XXI, sub-annex 8, appendix 5.
    Beyond d_n the polynomial says nothing; there the value at d_n counts.
    """
    x = np.minimum(np.asarray(distance, dtype=float) / reference_distance, 1.0)
    exponent = sum(c * x**i for i, c in enumerate(UTILITY, start=1))
    return np.asarray(1.0 - np.exp(-exponent))


def plug_in(
    cycle: Cycle,
    driveline: Driveline,
    settings: Settings | None = None,
    charger_efficiency: float = CHARGER_EFFICIENCY,
    reference_distance: float = REFERENCE_DISTANCE,
    progress: Progress = silent,
) -> PlugIn:
    """Run a cycle from a full battery until it is empty, sustain it, weight both, and blend a trip.

    Parameters
    ----------
    cycle, driveline
        What to drive; a full battery is at the top of the SoC window, and the charge that is
        sustained is where a drive begins otherwise (`soc_start`).
    settings
        As for :func:`hybridopt.solve_cycle`; start and end of each solve are set here.
    charger_efficiency
        Stored energy over energy from the wall, above 0 to 1.
    reference_distance
        m, of :func:`utility_factor`.
    progress
        Called with the share done, 0 to 1.

    Returns
    -------
    PlugIn

    Raises
    ------
    InputError
        An argument is out of range, the battery has nothing to deplete, or it lasts for more than
        `MOST_CYCLES` cycles.
    InfeasibleError
        The cycle cannot be driven.

    Notes
    -----
    While it depletes, charge above the level sustained counts :data:`DEPLETING_PRICE`, far less
    than fuel, so that the engine runs only where the motor is too weak or the charge too low, and
    no charge is wasted. The trip blended is the depleting cycles and one that ends at the level.
    """
    if not 0.0 < charger_efficiency <= 1.0 or not reference_distance > 0.0:
        raise InputError(
            f"charger efficiency {charger_efficiency:g} and reference distance "
            f"{reference_distance:g} m: give more than 0 and at most 1, and more than 0"
        )
    known = settled(cycle, driveline, settings)
    _, full, level, _ = known.socs
    if full - level < LEAST_DEPTH:
        raise InputError(
            f"the SoC window ends at {full / PERCENT:g} % and {level / PERCENT:g} % is sustained, "
            "so there is nothing to deplete; set a lower --soc-start-percent"
        )
    refuse_limits(known)
    driveline = with_prices(driveline, known)
    prepared = prepare(cycle, driveline, known)
    depleting = _deplete(prepared, driveline, known, lambda done: progress(0.5 * done))
    left = float(depleting[-1].attrs["soc_end"]) if depleting else full
    target = dataclasses.replace(known, terminal="target", soc_target=level)
    sustaining, last = (
        solve_prepared(cycle, driveline, _from(target, soc), prepared).trace
        for soc in (level, max(left, level))
    )
    progress(0.6)
    trip = functools.reduce(join_cycles, [cycle] * (len(depleting) + 1))
    blended = find_optimum(trip, driveline, _from(target, full), keep_value=False)
    progress(1.0)
    return PlugIn(
        cycle=cycle.name,
        driveline=driveline.name,
        distance=cycle.distance,
        depleting=[_leg(trace) for trace in depleting],
        sustaining=_leg(sustaining),
        density=driveline.fuel.density,
        co2=driveline.fuel.co2,
        charger_efficiency=charger_efficiency,
        reference_distance=reference_distance,
        parts=[*depleting, last],
        blended=blended,
    )


def _deplete(
    prepared: Prepared, driveline: Driveline, settings: Settings, progress: Progress
) -> list[xr.Dataset]:
    """Run the cycle from a full battery until its charge hardly changes; that one is left out."""
    _, full, level, _ = settings.socs
    above = dataclasses.replace(settings, terminal="target", soc_min=level, soc_target=full)
    wanted = prepared.demand
    tractive = float(np.maximum(wanted.wheel_torque * wanted.wheel_speed, 0.0) @ wanted.dt)
    drives: list[xr.Dataset] = []
    soc = full
    while len(drives) < MOST_CYCLES:
        trace = _priced(prepared, driveline, _from(above, soc))
        if _leg(trace).drawn < BREAK_OFF * tractive:
            return drives
        drives.append(trace)
        soc = max(float(trace.attrs["soc_end"]), level)
        progress((full - soc) / (full - level))
    raise InputError(f"the battery lasts for more than {MOST_CYCLES} cycles; take a longer one")


def _priced(prepared: Prepared, driveline: Driveline, settings: Settings) -> xr.Dataset:
    """Return the drive of least fuel and charge, where charge counts its price when depleting."""
    price = DEPLETING_PRICE * driveline.battery.energy / driveline.fuel.heating_value
    problem = prepared_problem(driveline, settings, prepared, price)
    run = Runner(problem, CostToGo(problem)).run(0, 0.0)
    if run is None:
        raise InfeasibleError("no schedule drives the cycle while the battery depletes")
    schedule = run.schedule(prepared.points)
    demand = prepared.demand
    return replay_schedule(driveline, demand, schedule, problem.soc, settings.gear_start)


def _from(settings: Settings, soc: float) -> Settings:
    return dataclasses.replace(settings, soc_start=soc)


def _leg(trace: xr.Dataset) -> Leg:
    """Return what counts of a replayed cycle."""
    on = trace.engine_on.values == 1
    gone = np.concatenate(([0.0], np.cumsum((trace.speed * trace.dt).values)))
    return Leg(
        fuel_g=fuel_used(trace),
        drawn=energies(trace, ["stored_power"])["stored_power"],
        soc_start=float(trace.soc[0]),
        soc_end=float(trace.attrs["soc_end"]),
        starts=int(np.count_nonzero(np.diff(on, prepend=False) & on)),
        electric=float(gone[int(np.argmax(on))] if on.any() else gone[-1]),
    )
