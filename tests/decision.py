"""The decision of rule tables in plain Python with scipy's interpolation, and its margins.

Written from the description of the tables; it shares no code with the kernel or the C code.
"""

import numpy as np
from scipy.interpolate import RegularGridInterpolator

ROUND = 2.0**-24  # half a unit in the last place of float32, relative


class Table:
    """A clamped multilinear table, and how far float32 arithmetic may be off in it."""

    def __init__(self, found):
        self.low = [axis[0] for axis in found.axes]
        self.high = [axis[-1] for axis in found.axes]
        kept = [i for i, axis in enumerate(found.axes) if axis.size > 1]
        self.kept, values = kept, found.values.squeeze()
        self.grid = (
            RegularGridInterpolator([found.axes[i] for i in kept], values)
            if kept
            else lambda _: values
        )
        # each of at most 8 products takes 4 roundings, each weight 4 of values up to the axis' end
        self.rounding = 16 * ROUND * float(abs(found.values).max())
        for i in kept:
            axis = found.axes[i]
            shape = [-1 if j == i else 1 for j in range(len(found.axes))]
            slope = np.diff(found.values, axis=i) / np.diff(axis).reshape(shape)
            self.rounding += 6 * ROUND * float(abs(slope).max() * abs(axis).max())

    def __call__(self, *x):
        clipped = np.clip(x, self.low, self.high)
        return float(np.squeeze(self.grid(clipped[self.kept])))


class Decision:
    """The decision for one set of inputs; `margins` are distances over roundings."""

    def __init__(self, rule_set):
        self.tables = {name: Table(found) for name, found in rule_set.maps.items()}
        self.gearbox, self.table = rule_set.gearbox, rule_set.table
        self.margins = []

    def below(self, left, right, rounding):
        self.margins.append(abs(left - right) / max(rounding, 1e-300))
        return left < right

    def gear(self, wheel_speed, speed, torque, on, gear, free):
        box, up, down = self.gearbox, self.tables["shift_up"], self.tables["shift_down"]
        shaft = wheel_speed * box.ratios[gear - 1]
        slip = 2 * ROUND * abs(shaft)
        fits = not self.below(box.highest_speed, shaft, slip)
        if on and gear > 1 and wheel_speed > 0.0:
            fits = fits and not self.below(shaft, box.idle_speed, slip)
        if fits and not free:
            return gear
        start = gear
        rounding = down.rounding + up.rounding + 4 * ROUND * abs(speed)
        share, engine = self.table.land_down, float(on)
        while gear > 1:
            line = down(gear, torque, engine)
            if gear < start:  # the line that leads back is that of the gear below
                line = max(line, (1 - share) * line + share * up(gear - 1, torque, engine))
            if not self.below(speed, line, rounding):
                break
            gear -= 1
        share = self.table.land_up
        while start <= gear < len(box.ratios):
            line = up(gear, torque, engine)
            if gear > start:
                line = min(line, (1 - share) * line + share * down(gear + 1, torque, engine))
            if self.below(speed, line, rounding):
                break
            gear += 1
        return gear

    def __call__(self, speed, wheel_speed, torque, soc, on, gear, engine_time, gear_time):
        """Return engine on, gear (from 1) and motor torque."""
        self.margins, was_on = [], on
        box, power = self.gearbox, torque * wheel_speed
        charge = soc + self.table.motion_charge * (speed / (100 / 3.6)) ** 2
        least = self.table.min_on if on else self.table.min_off
        if not self.below(engine_time, least, ROUND * least):
            table = self.tables["engine_stop" if on else "engine_start"]
            on = not self.below(power, table(speed, charge), table.rounding + ROUND * abs(power))
        least = self.table.min_gear
        free = not self.below(gear_time, least, ROUND * least)
        chosen = self.gear(wheel_speed, speed, torque, on, gear, free or (on and not was_on))
        wanted = self.input_torque(torque, chosen)
        if on:
            return self.with_engine(wheel_speed, wanted, charge, chosen)
        limit = self.tables["electric_limit"]
        slip = limit.rounding + 4 * ROUND * (abs(wanted) + 2 * box.drag_torques[chosen - 1])
        if not self.below(limit(wheel_speed * box.ratios[chosen - 1]), wanted, slip):
            return False, chosen, wanted
        chosen = self.gear(wheel_speed, speed, torque, True, gear, free or not was_on)
        return self.with_engine(wheel_speed, self.input_torque(torque, chosen), charge, chosen)

    def input_torque(self, torque, gear):
        box = self.gearbox
        factor = box.ratios[gear - 1] * box.efficiencies[gear - 1]
        if torque < 0.0:
            factor = box.ratios[gear - 1] / box.efficiencies[gear - 1]
        return torque / factor + box.drag_torques[gear - 1]

    def with_engine(self, wheel_speed, wanted, charge, gear):
        shaft = max(wheel_speed * self.gearbox.ratios[gear - 1], self.gearbox.idle_speed)
        return True, gear, self.tables["motor_torque"](shaft, wanted, charge)
