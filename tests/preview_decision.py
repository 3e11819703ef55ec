"""The decision of the predictive controller in plain Python, and its margins.

Written from the description of the maps; it shares no code with the kernels or the C code: the
cheapest way through what is foreseen is found by a recursion that looks at every move.
"""

import math
from bisect import bisect_right
from functools import cache

GRAVITY = 9.81  # m/s2, the rounded value of the package
OFF, RUNNING, STARTING = range(3)
NEVER = 1e6  # g, an interval that cannot be driven so
LACKING = 0.5  # g/(N m s)
FIRM, LATEST = 400.0, 20.0  # s, charge is brought back by the end of a drive that is known
RESERVE = 0.02  # of SoC, above the bottom of the window


class Table:
    """A clamped multilinear table over any number of axes."""

    def __init__(self, axes, values):
        self.axes, self.values = [axis.tolist() for axis in axes], values.tolist()

    def __call__(self, *x):
        return self._inner(self.values, 0, x)

    def _inner(self, values, n, x):
        if n == len(self.axes):
            return values
        axis = self.axes[n]
        i = min(max(bisect_right(axis, x[n]) - 1, 0), max(len(axis) - 2, 0))
        if len(axis) == 1:
            return self._inner(values[0], n + 1, x)
        share = min(max((x[n] - axis[i]) / (axis[i + 1] - axis[i]), 0.0), 1.0)
        low, high = (self._inner(values[j], n + 1, x) for j in (i, i + 1))
        return (1.0 - share) * low + share * high


class Want:
    """What the wheels want in an interval, by road load: SI."""

    def __init__(self, vehicle, v0, v1, grade, dt):
        self.speed, self.start = 0.5 * (v0 + v1), v0
        self.acceleration = (v1 - v0) / dt
        mass = vehicle["mass"] + vehicle["trailer_mass"]
        radius, angle = vehicle["wheel_radius"], math.atan(grade)
        force = (mass + vehicle["wheel_inertia"] / radius**2) * self.acceleration
        if self.speed > 0.0:
            load = vehicle["rolling_resistance"] * vehicle["mass"]
            load += vehicle["trailer_rolling_resistance"] * vehicle["trailer_mass"]
            force += GRAVITY * (load * math.cos(angle) + mass * math.sin(angle))
            area = vehicle["drag_area"] + vehicle["trailer_drag_area"]
            air = self.speed + vehicle["headwind"]
            force += 0.5 * vehicle["air_density"] * area * air * abs(air)
        self.torque, self.wheel_speed = force * radius, self.speed / radius
        self.wheel_acceleration, self.square = self.acceleration / radius, (v0 / radius) ** 2


class PreviewDecision:
    """The decision for one set of inputs; `margins` are relative distances from thresholds."""

    def __init__(self, content):
        self.c = {name: float(values[0]) for name, values in content.constants.items()}
        self.ratios, self.efficiencies, self.drags = (
            content.constants[name].tolist() for name in ("ratios", "efficiencies", "drag_torques")
        )
        self.gears, self.heat = range(len(self.ratios)), content.heating_value
        self.tables = {
            name: Table(found.axes, found.values) for name, found in content.maps.items()
        }
        self.shift_fuel = content.maps["shift_fuel"].values
        factors = content.maps["running_cost"].axes[2]
        self.factors = float(factors[0]), float(factors[-1])
        self.margins = []

    def below(self, left, right):
        self.margins.append(abs(left - right) / (abs(left) + abs(right) + 1e-30))
        return left < right

    def factor(self, soc, speed, remaining):
        c, (low, high) = self.c, self.factors
        error = c["soc_reference"] - soc - c["motion_charge"] * (speed / (100 / 3.6)) ** 2
        usual = min(max((c["factor"] + c["proportional"] * error) / self.heat, low), high)
        scarce = min(max(1.0 - (soc - c["soc_low"]) / RESERVE, 0.0), 1.0)
        firm = FIRM / (remaining + LATEST) if c["destination"] else 0.0
        more = max(firm - c["proportional"], 0.0) * error / self.heat
        return min(max(usual + scarce * (high - usual) + more, low), high)

    def at_input(self, torque, g):
        if torque < 0.0:
            return torque * self.efficiencies[g] / self.ratios[g] + self.drags[g]
        return torque / (self.ratios[g] * self.efficiencies[g]) + self.drags[g]

    def off_torque(self, want, g):
        kept, c = want.torque, self.c
        if kept < 0.0:
            share = 1.0
            if c["fade_high"] > 0.0:
                share = (want.speed - c["fade_low"]) / (c["fade_high"] - c["fade_low"])
            kept *= c["recuperated_share"] * min(max(share, 0.0), 1.0)
        inertia = c["inertia_off"] * want.wheel_acceleration * self.ratios[g]
        return self.at_input(kept, g) + inertia

    def off(self, want, g, factor):
        """Return cost rate with the engine off, and whether it carries."""
        c, shaft = self.c, want.wheel_speed * self.ratios[g]
        if want.speed == 0.0:
            return factor * c["rest_power"], True
        if self.below(c["highest_motor_speed"], shaft):
            return NEVER, False
        if self.below(shaft, c["pump_speed"]):
            rolls = want.torque <= 0.0
            return (factor * c["coast_power"] if rolls else NEVER), rolls
        torque = self.off_torque(want, g)
        most = self.tables["off_limit"](shaft)
        lacks = torque - most if self.below(most, torque) else 0.0
        power = self.tables["motor_power"](shaft, torque) + c["pump_power"]
        if want.torque <= 0.0:
            power = min(power, c["coast_power"])
        return factor * power + LACKING * lacks, lacks == 0.0

    def running(self, want, g, wheel=None):
        """Return speed and torque at the gearbox input, None where that is impossible."""
        c, shaft = self.c, want.wheel_speed * self.ratios[g]
        wheel = want.torque if wheel is None else wheel
        if want.speed == 0.0:
            return c["idle_speed"], 0.0
        slow = self.below(shaft, c["idle_speed"])
        if slow and wheel <= 0.0:
            return c["idle_speed"], 0.0
        if self.below(c["highest_speed"], shaft):
            return None
        torque = self.at_input(wheel, g)
        if slow:
            launches = g < c["launch_gears"] and not self.below(c["launch_capacity"], torque)
            return (c["launch_speed"], torque) if launches else None
        inertia = c["inertia_on"] * want.wheel_acceleration * self.ratios[g]
        if wheel < 0.0:
            kept = self.at_input(c["recuperated_share"] * wheel, g) + inertia
            torque = max(torque, min(kept, self.tables["overrun"](shaft)) - inertia)
        return shaft, torque + inertia

    def stage(self, want, dt, g, engine, factor):
        """Return cost of an interval, and whether the driveline carries it."""
        if engine == OFF:
            rate, able = self.off(want, g, factor)
            return rate * dt, able
        point = self.running(want, g)
        if point is None:
            return NEVER, False
        speed, torque = point
        cost = self.tables["running_cost"](speed, torque, factor) * dt
        most = self.tables["running_limit"](speed)
        if engine == STARTING:
            cost += self.tables["start_cost"](speed, torque, factor) + self.c["start_charge"]
            most = min(most, self.tables["start_limit"](speed))
        lacks = torque - most if self.below(most, torque) else 0.0
        return cost + LACKING * lacks * dt, lacks == 0.0

    def shift(self, want, engine, before, g):
        """Return the cost of a shift, None where it is closed."""
        if before == g:
            return 0.0
        c = self.c
        skips = c["skip_up"] == 0.0 and g > before + 1 or c["skip_down"] == 0.0 and g < before - 1
        brakes = want.start > 0.0 and want.torque < 0.0
        brakes = brakes and self.below(want.speed, c["brake_shift_speed"])
        if brakes or (skips and want.start > 0.0):
            return None
        return c["shift_charge"] + float(self.shift_fuel[engine, before, g]) * want.square

    def must_run(self, want, on, torque_before):
        asked = (1.0 + self.c["start_reserve"]) * max(want.torque, torque_before)
        if want.speed == 0.0 or asked <= 0.0 or self.start_carries(want, asked):
            return False
        return on or self.start_carries(want, want.torque)

    def start_carries(self, want, torque):
        for g in self.gears:
            point = self.running(want, g, torque)
            if point is not None:
                speed, wanted = point
                most = self.tables["running_limit"](speed), self.tables["start_limit"](speed)
                if not self.below(min(most), wanted):
                    return True
        return False

    def ahead(self, wants, step, factor, hold, fix):
        """Return a function from interval, engine and gear to the least cost from there on."""
        last, c = wants[-1], self.c

        @cache
        def cost(k, engine, g):
            return self.stage(wants[k], step, g, engine, factor)[0]

        @cache
        def least(k, on, before):
            if k == len(wants):
                place = last.speed, last.acceleration
                return self.tables["expected"](*place, float(on), before + 1.0)
            ways = []
            for engine in (OFF, RUNNING if on else STARTING):
                stops, starts = on and engine == OFF, engine == STARTING
                if (stops or starts) and k <= hold:
                    continue
                if stops and self.below(c["stop_speed"], wants[k].speed):
                    continue
                for g in self.gears:
                    charge = self.shift(wants[k], engine, before, g)
                    if charge is None or (g != before and k <= fix):
                        continue
                    ways.append(cost(k, engine, g) + charge + least(k + 1, engine != OFF, g))
            return min(ways)

        return least

    def left(self, minimum, time):
        return max(math.ceil((minimum - time) / self.c["step"] - 1e-4), 0)

    def allowed(self, want, dt, soc, on, gear, engine_time, gear_time, torque_before, factor):
        """Return engine states and gears that are open; minimum times go where nothing is left."""
        c = self.c
        held = self.below(engine_time, c["min_on"] if on else c["min_off"])
        fixed = self.below(gear_time, c["min_gear"])
        must = self.must_run(want, on, torque_before)
        keeps = on and (self.below(c["stop_speed"], want.speed) or self.below(soc, c["stop_soc"]))
        for obeys, carries in ((True, True), (False, True), (False, False)):
            found = []
            for state in (False, True):
                for g in self.gears:
                    engine = OFF if not state else (RUNNING if on else STARTING)
                    if (keeps and not state) or self.shift(want, engine, gear, g) is None:
                        continue
                    if obeys and (held and state != on or fixed and g != gear):
                        continue
                    if obeys and must and not state:
                        continue
                    if carries and not self.stage(want, dt, g, engine, factor)[1]:
                        continue
                    found.append((state, g))
            if found:
                return found
        return []

    def __call__(self, speeds, grades, soc, dt, on, gear, times, remaining, torque_before):
        """Return engine on, gear (from 1), motor torque and whether the motor rests.

        Costs of all that is open are in `totals`, in g.
        """
        self.margins, c = [], self.c
        gear, (engine_time, gear_time) = gear - 1, times
        steps = [dt] + [c["step"]] * (len(grades) - 1)
        wants = [
            Want(c, *pair, grade, length)
            for *pair, grade, length in zip(speeds[:-1], speeds[1:], grades, steps, strict=True)
        ]
        now = wants[0]
        factor = self.factor(soc, now.speed, remaining)
        known = (dt, soc, on, gear, engine_time, gear_time, torque_before, factor)
        self.open, self.totals = self.allowed(now, *known), {}
        for state, g in self.open:
            engine = OFF if not state else (RUNNING if on else STARTING)
            minimum = c["min_on"] if state else c["min_off"]
            hold = self.left(minimum, dt + (engine_time if state == on else 0.0))
            fix = self.left(c["min_gear"], dt + (gear_time if g == gear else 0.0))
            least = self.ahead(wants, c["step"], factor, hold, fix)
            cost = self.stage(now, dt, g, engine, factor)[0] + self.shift(now, engine, gear, g)
            self.totals[state, g] = cost + least(1, state, g)
        state, g = min(self.totals, key=self.totals.get)
        return (state, g + 1, *self.torque(now, g, state, on, factor, dt))

    def torque(self, want, g, state, on, factor, dt):
        """Return motor torque and whether the motor rests."""
        if not state:
            rests = self.rests(want, g)
            return (0.0 if rests else self.off_torque(want, g)), rests
        point = self.running(want, g)
        if point is None:  # it lacks torque anyway
            return None, False
        self.splits = self.split_costs(want, *point, on, factor, dt)
        torque = min(self.splits, key=self.splits.get)
        return (0.0, True) if torque is None else (torque, False)

    def rests(self, want, g):
        shaft, c = want.wheel_speed * self.ratios[g], self.c
        if want.speed == 0.0 or shaft < c["pump_speed"]:
            return True
        power = self.tables["motor_power"](shaft, self.off_torque(want, g)) + c["pump_power"]
        return want.torque <= 0.0 and power >= c["coast_power"]

    def works(self, on, dt):
        return 1.0 if on else max(1.0 - self.c["start_duration"] / dt, 0.0)

    def split_range(self, want, speed, wanted, works):
        """Return lowest and highest motor torque that the limits leave."""
        peak, overrun = self.tables["motor_limit"](speed), self.tables["overrun"](speed)
        high = wanted - works * overrun
        high = min(max(high, 0.0) if want.torque < 0.0 else high, peak)
        low = max(wanted - works * self.tables["engine_limit"](speed), -peak)
        return min(low, high), high

    def split_costs(self, want, speed, wanted, on, factor, dt):
        """Return cost rates of motor torques, None is the unpowered motor."""
        works, drag = self.works(on, dt), self.tables["drag"](speed)
        low, high = self.split_range(want, speed, wanted, works)
        tried = [low, high, wanted - works * self.tables["overrun"](speed)]
        tried += self.tables["motor_power"].axes[1]
        tried += [wanted - works * torque for torque in self.tables["fuel"].axes[1]]
        found = {}
        if low <= -drag <= high:
            found[None] = self.split_cost(speed, wanted, works, factor, -drag, self.c["idle_power"])
        for torque in tried:
            if low <= torque <= high:
                power = self.tables["motor_power"](speed, torque)
                found[torque] = self.split_cost(speed, wanted, works, factor, torque, power)
        return found

    def split_cost(self, speed, wanted, works, factor, torque, power):
        if works == 0.0:
            return factor * power
        engine = (wanted - torque) / works
        fuel = self.tables["fuel"](speed, max(engine, 0.0))
        if engine < 0.0:  # towards overrun fuel falls to nothing
            fuel *= max(1.0 - engine / self.tables["overrun"](speed), 0.0)
        return works * fuel + factor * power
