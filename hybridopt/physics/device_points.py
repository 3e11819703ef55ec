"""Operating points of many drivelines listed on a device, one thread for a list.

The physics is that of the kernels here: the same functions reduce a step to a shaft, list its
torques and give cost and power of each.
"""

# mypy: allow-untyped-defs, allow-untyped-calls, allow-untyped-decorators

import math
from collections.abc import Hashable, Sequence
from functools import cache
from typing import Any, NamedTuple

import numpy as np
from numba import cuda, float64

from ..base.device_kernels import device_kernel
from ..inputs.driveline import Driveline
from .codes import OFF, STARTING, Reason
from .demand import Demand
from .entries import P_BATTERY_POWER, P_FUEL_RATE, P_SIZE, R_DT, R_WHEEL_TORQUE, S_MOTOR, S_SIZE
from .operating_points import demand_rows, split_room
from .plant import Plant, pack, vehicle_numbers
from .point_kernels import _list_torques
from .shaft import _shaft
from .starts import _start_fuel
from .step import _torque_point

ARRAYS = 24  # fields of a Plant that are arrays; numbers follow them
TOO_MANY = -1  # a count that says that a list has more splits than there is room for
V_STEPS, V_ROWS, V_LISTS, V_GEARS, V_SPLITS, V_PARTS, V_SIZE = range(7)


class PlantArrays(NamedTuple):
    """Drivelines and what is asked of them, laid out one behind the other.

    Attributes
    ----------
    values : all curves of all sets of parts in one row; drivelines may share parts
    places : int64, (sets, 24, 2): where each curve begins and ends
    numbers : the other fields of each Plant, (drivelines, 41)
    fuels, losses : maps, (sets, speeds, torques), as large as the largest ones
    rows : what is asked of each step, (steps, R_SIZE)
    sizes : int64, (drivelines, V_SIZE): steps, first row, first list, gears, splits to aim at, set
    """

    values: Any
    places: Any
    numbers: Any
    fuels: Any
    losses: Any
    rows: Any
    sizes: Any


@cache
def points_kernel(fuel_torques: int, loss_torques: int, room: int) -> Any:
    """Return the kernel that lists points of drivelines with maps of such sizes.

    `room` is the length of the splits axis; each list gets so many places.
    """
    twice = 2 * room

    @device_kernel()
    def fill(plants, first, count, cost, power):
        values, places, numbers = plants.values, plants.places, plants.numbers
        fuels, losses, rows, sizes = plants.fuels, plants.losses, plants.rows, plants.sizes
        which, number = cuda.blockIdx.y, cuda.grid(1)
        own = sizes[which]
        lists = own[V_STEPS] * own[V_GEARS] * 3
        if number >= lists:
            return
        engine, gear = number % 3, (number // 3) % own[V_GEARS]
        row = rows[own[V_ROWS] + number // (3 * own[V_GEARS])]
        shaft, point = cuda.local.array(S_SIZE, float64), cuda.local.array(P_SIZE, float64)
        fuel_row = cuda.local.array(fuel_torques, float64)
        loss_row = cuda.local.array(loss_torques, float64)
        nodes = cuda.local.array(room, float64)
        powers = cuda.local.array(room, float64)
        torques = cuda.local.array(twice, float64)
        parts, n = own[V_PARTS], numbers[which]
        p = places[parts]
        plant = Plant(
            values[p[0, 0] : p[0, 1]],
            values[p[1, 0] : p[1, 1]],
            values[p[2, 0] : p[2, 1]],
            values[p[3, 0] : p[3, 1]],
            values[p[4, 0] : p[4, 1]],
            values[p[5, 0] : p[5, 1]],
            fuels[parts],
            values[p[7, 0] : p[7, 1]],
            values[p[8, 0] : p[8, 1]],
            values[p[9, 0] : p[9, 1]],
            values[p[10, 0] : p[10, 1]],
            values[p[11, 0] : p[11, 1]],
            values[p[12, 0] : p[12, 1]],
            values[p[13, 0] : p[13, 1]],
            values[p[14, 0] : p[14, 1]],
            losses[parts],
            values[p[16, 0] : p[16, 1]],
            values[p[17, 0] : p[17, 1]],
            values[p[18, 0] : p[18, 1]],
            values[p[19, 0] : p[19, 1]],
            values[p[20, 0] : p[20, 1]],
            values[p[21, 0] : p[21, 1]],
            values[p[22, 0] : p[22, 1]],
            values[p[23, 0] : p[23, 1]],
            n[0],
            n[1],
            n[2],
            n[3],
            n[4],
            n[5],
            n[6],
            n[7],
            n[8],
            n[9],
            n[10],
            n[11],
            n[12],
            n[13],
            n[14],
            n[15],
            n[16],
            n[17],
            n[18],
            n[19],
            n[20],
            n[21],
            n[22],
            n[23],
            n[24],
            n[25],
            n[26],
            n[27],
            n[28],
            n[29],
            n[30],
            n[31],
            n[32],
            n[33],
            n[34],
            n[35],
            n[36],
            n[37],
            n[38],
            n[39],
            n[40],
        )
        there = own[V_LISTS] + number
        begin = there * room
        first[there], count[there] = begin, 0
        if _shaft(plant, row, gear, engine, shaft, fuel_row, loss_row) != Reason.FEASIBLE:
            return
        used = 0
        if not (engine == OFF and shaft[S_MOTOR] == 0.0):
            used = _list_torques(
                plant.fuel_torque,
                plant.loss_torque,
                plant.throughput,
                shaft,
                loss_row,
                own[V_SPLITS] - 1,
                nodes,
                torques,
                powers,
            )
        if used + 1 > room:
            count[there] = TOO_MANY
            return
        start = _start_fuel(plant.start_fuel, plant.start_span, row[R_DT])
        for k in range(used + 1):
            why = _torque_point(
                plant.fuel_torque,
                plant.loss_torque,
                shaft,
                fuel_row,
                loss_row,
                row[R_WHEEL_TORQUE],
                torques[k - 1] if k > 0 else 0.0,
                k > 0,
                point,
            )
            grams, watts = math.inf, 0.0
            if why == Reason.FEASIBLE or why == Reason.BATTERY_POWER:
                watts = point[P_BATTERY_POWER]
            if why == Reason.FEASIBLE:
                grams = point[P_FUEL_RATE] * row[R_DT]
                grams += plant.throughput * abs(watts) * row[R_DT]
                if engine == STARTING:
                    grams += start
            cost[begin + k], power[begin + k] = grams, watts
        count[there] = used + 1

    return fill


def lay_out_plants(
    drivelines: Sequence[Driveline], demands: Sequence[Demand], splits: int
) -> tuple[PlantArrays, tuple[int, int, int]]:
    """Lay drivelines out for a device; also return the sizes that the kernel is made for."""
    values: list[np.ndarray] = []
    places: list[list[tuple[int, int]]] = []
    numbers, rows, sizes = [], [], []
    known: dict[Hashable, tuple[int, Plant]] = {}
    fuel, loss, room, row, lists, first = 0, 0, 0, 0, 0, 0
    for driveline, demand in zip(drivelines, demands, strict=True):
        key = tuple(id(part) for name, part in vars(driveline).items() if name != "vehicle")
        if key not in known:
            plant, own = pack(driveline), []
            curves: tuple[Any, ...] = plant[:ARRAYS]
            for array in curves:
                own.append((first, first + array.size))
                values.append(array.ravel())
                first += array.size
            known[key] = len(places), plant
            places.append(own)
            fuel, loss = max(fuel, plant.fuel_torque.size), max(loss, plant.loss_torque.size)
            room = max(room, split_room(driveline, splits))
        parts, plant = known[key]
        gears = driveline.gearbox.gears
        numbers.append(plant._replace(**vehicle_numbers(driveline.vehicle))[ARRAYS:])
        rows.append(demand_rows(demand))
        sizes.append((demand.steps, row, lists, gears, splits, parts))
        row, lists = row + demand.steps, lists + demand.steps * gears * 3
    arrays = PlantArrays(
        np.concatenate(values),
        np.array(places, dtype=np.int64),
        np.array(numbers, dtype=np.float64),
        _stacked([plant.fuel for _, plant in known.values()]),
        _stacked([plant.loss for _, plant in known.values()]),
        np.concatenate(rows),
        np.array(sizes, dtype=np.int64),
    )
    return arrays, (fuel, loss, room)


def _stacked(maps: list[np.ndarray]) -> np.ndarray:
    """Return maps on one another, each at the beginning of a field as large as the largest."""
    shape = np.max([m.shape for m in maps], axis=0)
    stacked = np.zeros((len(maps), *shape))
    for field, values in zip(stacked, maps, strict=True):
        field[: values.shape[0], : values.shape[1]] = values
    return stacked
