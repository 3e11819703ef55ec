"""Batteries for tests, and solvers that share no code with the package's kernels.

The problem all of them solve: in each step choose a gear, an engine class (off, running, being
started) and a split; pay the split's cost, the start cost of a started engine and the shift cost
of a change of gear; state of charge (SoC) falls by what the battery gives; at the end pay the
penalty per unit of SoC below the target (above it too, if two-sided). SoC stays in the window.
Least times, and steps or SoC in which the engine must not be stopped, close some of these choices.
"""

import dataclasses
from dataclasses import dataclass

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import coo_array
from xarray import DataArray

from hybridopt.inputs.driveline import Battery
from hybridopt.optimum.solve import Solution
from hybridopt.physics.operating_points import OperatingPoints
from hybridopt.problem.settings import Settings

OFF, RUNNING, STARTING = 0, 1, 2
NAMES = (
    "open_circuit_voltage",
    "resistance_discharge",
    "resistance_charge",
    "power_discharge_max",
    "power_charge_max",
)


def _battery(soc, voltage, resistance, power, capacity, efficiency) -> Battery:
    columns = [np.broadcast_to(v, len(soc)) for v in (voltage, *resistance, *power)]
    table = DataArray(
        np.array(columns, dtype=float), {"quantity": list(NAMES), "soc": soc}, ("quantity", "soc")
    )
    return Battery(
        table=table,
        capacity=float(capacity),
        coulombic_efficiency=float(efficiency),
        soc_min=0.0,
        soc_max=1.0,
        soc_start=0.5,
    )


def linear_battery(voltage: float, capacity: float, efficiency: float = 1.0) -> Battery:
    """Battery without resistance: SoC falls by power x time / (voltage x capacity), V and C."""
    return _battery([0.0, 1.0], voltage, (0.0, 0.0), (1e9, 1e9), capacity, efficiency)


def gated_battery(random: np.random.Generator) -> Battery:
    """Battery that gives and takes little or nothing at some SoC, so that values are infinite."""
    soc = np.array([0.0, 0.3, 0.35, 0.45, 0.5, 0.6, 0.8, 1.0])
    limits = random.choice([0.0, 2e3, 8e3, 3e4], (2, soc.size))
    return _battery(soc, np.linspace(220.0, 280.0, soc.size), (0.1, 0.1), limits, 2e4, 0.95)


def resistive_battery(
    voltage: tuple[float, float],
    capacity: float,
    resistance: tuple[float, float],
    efficiency: float = 1.0,
    power: float = 1e9,
) -> Battery:
    """Battery with voltage linear from SoC 0 to 1 and resistances (discharge, charge)."""
    return _battery([0.0, 1.0], voltage, resistance, (power, power), capacity, efficiency)


def soc_fall(battery: Battery, soc, power, dt):
    """Fall of SoC in a step by I = (U - sqrt(U^2 - 4 R P)) / (2 R); NaN beyond a limit."""
    soc, power = np.broadcast_arrays(np.asarray(soc, float), np.asarray(power, float))
    axis, rows = battery.table["soc"].values, battery.table.sel(quantity=list(NAMES)).values
    u, r_out, r_in, most, least = (np.interp(soc, axis, row) for row in rows)
    r = np.where(power > 0.0, r_out, r_in)
    with np.errstate(invalid="ignore", divide="ignore"):
        lossy = (u - np.sqrt(u * u - 4.0 * r * power)) / (2.0 * r)
        current = np.where(r > 0.0, lossy, power / u)
    current = np.where((power > most) | (power < -least), np.nan, current)
    current = np.where(current < 0.0, current * battery.coulombic_efficiency, current)
    return current * dt / battery.capacity


def settings(points: int, low: float, high: float, start: float, **more) -> Settings:
    """Resolved settings; the target is the start and shifts are free unless given."""
    return Settings(
        **{"terminal": "target", "soc_target": start, "shift_cost": 0.0, **more},
        **{"soc_points": points, "soc_min": low, "soc_max": high, "soc_start": start},
    )


def gapped(cost, power):
    """Put an inadmissible split between any two, so that no two neighbours can be mixed."""
    shape = (*np.shape(cost)[:3], 2 * np.shape(cost)[3])
    wide_cost, wide_power = np.full(shape, np.inf), np.zeros(shape)
    wide_cost[..., ::2], wide_power[..., ::2] = cost, power
    return wide_cost, wide_power


def numbered(points: OperatingPoints) -> OperatingPoints:
    """Return the points with the split's number as torque, so that schedules tell it."""
    number = np.broadcast_to(np.arange(points.cost.shape[3], dtype=float), points.cost.shape)
    return dataclasses.replace(points, motor_torque=np.ascontiguousarray(number))


def terminal(settings: Settings, penalty: float, soc):
    """Cost of the final SoC."""
    if settings.terminal == "free":
        return 0.0 * soc
    miss = settings.soc_target - soc
    return penalty * np.where(settings.two_sided, np.abs(miss), np.maximum(miss, 0.0))


class Inhibitors:
    """What the settings and the events forbid, from the history of a run alone.

    All arrays have one entry per run: engine on, seconds in that state, share of the start done,
    gear, seconds in it, direction of the last shift. Before the first step all are settled.
    """

    def __init__(self, settings, steps, stop_costs=None, start_steps=None, start_costs=None):
        self.settings = settings
        self.stop = np.zeros(steps) if stop_costs is None else stop_costs
        self.begin = np.zeros(steps) if start_costs is None else start_costs
        self.shares = 1.0 / (np.ones(steps) if start_steps is None else start_steps)
        self.on = np.array([settings.begins_on(0.0)])
        self.gear = np.array([settings.gear_start - 1])
        self.engine_time, self.gear_time = np.array([np.inf]), np.array([np.inf])
        self.way = np.zeros(1)
        self.started = np.ones(1)

    def allowed(self, t, g, c, soc):
        """Runs that may go to a gear and engine class in step t."""
        rules, done = self.settings, self.started > 1.0 - 1e-9
        back = np.sign(g - self.gear) == -self.way
        least = np.maximum(rules.min_gear_time, np.where(back, rules.min_reversal_time, 0.0))
        may = (self.gear == g) | (self.gear_time >= least - 1e-9)
        if c == OFF:
            stops = done & (self.engine_time >= rules.min_on_time - 1e-9)
            stops = stops & (soc >= rules.stop_soc_min - 1e-9) & np.isfinite(self.stop[t])
            return may & (~self.on | stops)
        if c == RUNNING:
            return may & self.on & done
        starts = (self.engine_time >= rules.min_off_time - 1e-9) & np.isfinite(self.begin[t])
        return may & np.where(self.on, ~done, starts)

    def cost(self, g, c, shift_costs):
        """Cost of the events of going to a gear and engine class."""
        starts = self.settings.start_cost * (~self.on & (c == STARTING))
        return shift_costs[self.gear, g] + starts

    def after(self, t, g, c, dt, runs):
        """What the runs chosen by an index are after step t."""
        new = object.__new__(Inhibitors)
        new.settings, new.stop, new.shares = self.settings, self.stop, self.shares
        new.begin, shifts = self.begin, np.sign(g - self.gear)
        new.way = np.where(shifts == 0, self.way, shifts)[runs]
        new.on, new.gear = np.full(runs.sum(), c != OFF), np.full(runs.sum(), g)
        begun = np.where(self.on & (self.started < 1.0), self.started, 0.0)
        new.started = (begun + self.shares[t] if c == STARTING else np.ones(self.on.size))[runs]
        held = np.where(self.on == (c != OFF), self.engine_time, 0.0)
        new.engine_time = (held + dt)[runs]
        new.gear_time = (np.where(self.gear == g, self.gear_time, 0.0) + dt)[runs]
        return new

    @classmethod
    def joined(cls, parts):
        """All runs of some parts."""
        new = object.__new__(cls)
        new.settings, new.stop, new.shares = parts[0].settings, parts[0].stop, parts[0].shares
        new.begin = parts[0].begin
        for name in ("on", "gear", "engine_time", "gear_time", "started", "way"):
            setattr(new, name, np.concatenate([getattr(part, name) for part in parts]))
        return new


def rerun(points, battery, settings, penalty, shift_costs, solution: Solution, **events):
    """Run a schedule of :func:`numbered` points again; return its cost and SoC path."""
    soc, cost, plan = [settings.soc_start], 0.0, solution.schedule
    state, chosen = Inhibitors(settings, points.steps, **events), np.array([True])
    for t in range(points.steps):
        g, c, number = plan.gear[t], plan.engine_class[t], plan.motor_torque[t]
        assert state.allowed(t, g, c, soc[-1]).all(), f"step {t}: class {c} in gear {g} is closed"
        k = int(number)
        share = number - k
        cells = [(points.cost[t, g, c, k], points.power[t, g, c, k])]
        if share > 0.0:
            assert k >= 1
            cells.append((points.cost[t, g, c, k + 1], points.power[t, g, c, k + 1]))
        weights = (1.0 - share, share)
        cost += sum(w * m for w, (m, _) in zip(weights, cells, strict=False))
        power = sum(w * p for w, (_, p) in zip(weights, cells, strict=False))
        cost += state.cost(g, c, shift_costs)[0]
        soc.append(soc[-1] - float(soc_fall(battery, soc[-1], power, points.dt[t])))
        state = state.after(t, g, c, points.dt[t], chosen)
    return cost + float(terminal(settings, penalty, soc[-1])), np.array(soc)


@dataclass(frozen=True)
class Best:
    """An optimum; infinite cost when nothing keeps the window."""

    cost: float
    soc_end: float


def brute_force(
    points,
    battery,
    settings,
    penalty,
    shift_costs,
    slack: float = 0.0,
    meeting_target: bool = False,
    **events,
) -> Best:
    """Return the cheapest of all sequences of decisions, or of those that meet the target.

    See :func:`schedules`. A final SoC meets the target at it or above it.
    """
    path, paid = schedules(points, battery, settings, shift_costs, slack, **events)
    if meeting_target and settings.terminal != "free":
        meets = path[:, -1] >= settings.soc_target - 1e-9
        path, paid = path[meets], paid[meets]
    if not paid.size:
        return Best(np.inf, np.nan)
    total = paid + terminal(settings, penalty, path[:, -1])
    best = int(np.argmin(total))
    return Best(float(total[best]), float(path[best, -1]))


def schedules(points, battery, settings, shift_costs, slack: float = 0.0, budgets=(), **events):
    """Enumerate every sequence of decisions with continuous SoC: SoC paths and costs.

    No two sequences are merged and no SoC is rounded. `slack` lowers the bottom of the window.
    `budgets` are (rises of every choice, kept in every step, limit): a state that a choice moves
    to kept x + rise, and no further than the limit. The costs, (sequences,), are without the
    terminal one; the paths are (sequences, steps + 1).
    """
    path, paid = np.array([[settings.soc_start]]), np.zeros(1)
    heat = np.zeros((1, len(budgets)))
    state = Inhibitors(settings, points.steps, **events)
    low, high = settings.soc_min - slack - 1e-12, settings.soc_max + 1e-12
    for t in range(points.steps):
        grown, soc = [], path[:, -1]
        choices = np.argwhere(np.isfinite(points.cost[t]))
        power = points.power[t][tuple(choices.T)]
        falls = soc_fall(battery, soc, power[:, None], points.dt[t])
        for (g, c, k), fall in zip(choices, falls, strict=True):
            may = state.allowed(t, g, c, soc)
            after = soc - fall
            total = paid + points.cost[t, g, c, k] + state.cost(g, c, shift_costs)
            may = may & (after >= low) & (after <= high) & np.isfinite(total)
            hotter = heat.copy()
            for b, (rise, kept, limit) in enumerate(budgets):
                hotter[:, b] = kept[t] * heat[:, b] + rise[t, g, c, k]
                may = may & (hotter[:, b] <= limit)
            longer = np.column_stack((path[may], after[may]))
            changed = state.after(t, g, c, points.dt[t], may)
            grown.append((longer, total[may], changed, hotter[may]))
        if not grown:
            return np.empty((0, t + 2)), np.empty(0)
        paths, costs, states, heats = zip(*grown, strict=True)
        path, paid, state = np.concatenate(paths), np.concatenate(costs), state.joined(states)
        heat = np.concatenate(heats)
    return path, paid


class _Rows:
    """Collects sparse linear constraints."""

    def __init__(self):
        self.entries, self.low, self.high = [], [], []

    def add(self, terms, low, high):
        self.entries += [(len(self.low), column, factor) for column, factor in terms]
        self.low.append(low)
        self.high.append(high)

    def constraint(self, columns):
        row, column, factor = zip(*self.entries, strict=True)
        matrix = coo_array((factor, (row, column)), shape=(len(self.low), columns)).tocsr()
        return LinearConstraint(matrix, self.low, self.high)


def mixed_integer(
    points,
    battery,
    settings,
    penalty,
    shift_costs,
    mixed=False,
    slack=0.0,
    relaxed=False,
    stop_costs=None,
    start_costs=None,
    engine_torque=None,
    budgets=(),
) -> Best:
    """Solve the instance as a mixed-integer program to proven optimality (HiGHS).

    One unit flows through the nodes (engine, gear, direction of the last shift, seconds since) of
    successive steps; an arc into (gear, class) carries shift and start cost. No shift goes back
    before its time, no start or stop costs infinity, and the torque of the engine, given for every
    split, keeps its rates, off being 0. Each (gear, class) hands its flow on to its splits, and the
    SoC falls linearly by the splits used. With `mixed`, splits of one gear and class but the first
    one, the unpowered motor, may be mixed in any proportion, which is a relaxation of mixing
    neighbours only. With `relaxed`, nothing
    has to be whole: the linear relaxation. Battery: linear.
    """
    steps, gears = points.steps, points.gears
    cost, upper, whole = [], [], []

    def column(price, high=np.inf, integer=False):
        cost.append(price)
        upper.append(high)
        whole.append(integer)
        return len(cost) - 1

    rows = _Rows()
    at = {(int(settings.begins_on(0.0)), settings.gear_start - 1, 0, 0.0): None}  # arcs into it
    stop, begin = (np.zeros(steps) if c is None else c for c in (stop_costs, start_costs))
    before = []  # (column, torque) of the step before
    low, high, start = settings.soc_min - slack, settings.soc_max, settings.soc_start
    fall = []  # (column, fall of SoC) of all splits so far
    heat = [[] for _ in budgets]  # likewise, what is left of their rises
    for t in range(steps):
        drop = soc_fall(battery, 0.5, points.power[t], points.dt[t])
        into = {(g, c): [] for g in range(gears) for c in (OFF, RUNNING, STARTING)}
        after = {}
        for (engine, gear, way, waited), arrivals in at.items():
            away = []
            for g, c in into:
                if c != OFF and engine != (c == RUNNING):
                    continue
                if np.sign(g - gear) == -way != 0 or not np.isfinite(
                    begin[t] if c == STARTING else stop[t] if engine and c == OFF else 0.0
                ):
                    continue
                ahead = (way, waited) if g == gear else (int(np.sign(g - gear)), 0.0)
                ahead = ahead[0], ahead[1] + points.dt[t]
                if ahead[0] == 0 or ahead[1] >= settings.min_reversal_time - 1e-9:
                    ahead = 0, 0.0
                price = shift_costs[gear, g] + settings.start_cost * (c == STARTING)
                away.append(column(price, 1.0))
                into[g, c].append(away[-1])
                after.setdefault((int(c != OFF), g, *ahead), []).append(away[-1])
            flow = 1.0 if arrivals is None else 0.0
            rows.add([(a, 1.0) for a in away] + [(b, -1.0) for b in arrivals or []], flow, flow)
        at, torque, off = dict(sorted(after.items())), [], []
        for (g, c), arcs in into.items():
            allowed = np.flatnonzero(np.isfinite(points.cost[t, g, c]))
            used = [column(points.cost[t, g, c, k], 1.0, not mixed) for k in allowed]
            terms = [(w, 1.0) for w in used]
            if mixed:  # then the choice of gear and class, and the unpowered motor, are whole
                taken, alone = column(0.0, 1.0, True), int(0 in allowed)
                rows.add([*terms[alone:], (taken, -1.0)], 0.0, 0.0)
                terms = [*terms[:alone], (taken, 1.0)]
                for motor_off in used[:alone]:
                    whole[motor_off] = True
            rows.add([*terms, *((a, -1.0) for a in arcs)], 0.0, 0.0)
            fall += [(w, drop[g, c, k]) for w, k in zip(used, allowed, strict=True)]
            off += used if c == OFF else []
            if engine_torque is not None and c != OFF:
                torque += zip(used, engine_torque[t, g, c, allowed], strict=True)
            for so_far, (rise, _, _) in zip(heat, budgets, strict=True):
                so_far += [(w, rise[t, g, c, k]) for w, k in zip(used, allowed, strict=True)]
        rows.add(list(fall), start - high, start - low)
        for b, (_, kept, limit) in enumerate(budgets):
            rows.add(list(heat[b]), -np.inf, limit)
            left = kept[t + 1] if t + 1 < steps else 1.0
            heat[b] = [(w, left * rise) for w, rise in heat[b]]
        if engine_torque is not None:
            change, most = [*torque, *((w, -n) for w, n in before)], engine_torque.max()
            if settings.torque_rise is not None:
                rows.add(change, -np.inf, settings.torque_rise * points.dt[t])
            if settings.torque_fall is not None:
                free = [*change, *((w, most) for w in off)]
                rows.add(free, -settings.torque_fall * points.dt[t], np.inf)
            before = torque
    if settings.terminal != "free":
        miss = settings.soc_target - start
        below, above = column(penalty), column(penalty if settings.two_sided else 0.0)
        rows.add([*fall, (below, -1.0), (above, 1.0)], -miss, -miss)
    solved = milp(
        np.array(cost),
        integrality=np.array(whole, dtype=int) * (not relaxed),
        bounds=Bounds(0.0, np.array(upper)),
        constraints=rows.constraint(len(cost)),
        options={"mip_rel_gap": 0.0, "time_limit": 300.0},
    )
    if solved.status == 2:  # infeasible
        return Best(np.inf, np.nan)
    assert solved.status == 0, solved.message
    assert solved.mip_gap is None or solved.mip_gap <= 1e-9, f"gap {solved.mip_gap}"
    end = start - sum(factor * solved.x[column] for column, factor in fall)
    return Best(float(solved.fun), float(end))
