"""The best policy without foresight of a model of driving, as a controller in closed loop."""

from dataclasses import dataclass

import numpy as np

from ..base.errors import InputError
from ..controllers.controller import Command, Observation
from ..inputs.driveline import Driveline
from ..physics.battery import pack_battery
from ..physics.codes import STARTING
from ..physics.operating_points import all_points
from ..problem.events import start_costs
from ..problem.memory import PART
from ..problem.settings import Settings
from .causal import CausalOptimum
from .kernels import Costs, _decide
from .stage_costs import priced_points

FEEDBACK = 0.12  # change of the price at the ends of the SoC window, over the held one
LEVELS = 1.0 + FEEDBACK * np.linspace(-1.0, 1.0, 13)  # prices that torques are listed at, likewise


@dataclass(frozen=True, eq=False)
class _Torques:
    """Best motor torque of each state, gear and engine class at each level of the price.

    Attributes
    ----------
    stage : g, (levels, states, gears, 3 engine classes)
    torque : N m, likewise; NaN is the unpowered motor
    """

    stage: np.ndarray
    torque: np.ndarray


class CausalController:
    """The best policy without foresight: one step ahead on the value of the model's optimum.

    The price of stored energy is the held one at the start's SoC and rises with missing SoC. For
    cycles drawn from the model only.

    Parameters
    ----------
    optimum
        Of the model, at a held price.
    driveline, settings
        The vehicle; resolved settings.

    Raises
    ------
    InputError
        The model has a memory, which an observation does not hold.
    """

    def __init__(self, optimum: CausalOptimum, driveline: Driveline, settings: Settings) -> None:
        chain = optimum.chain
        if chain.memory.max() > 0:
            raise InputError("causal controller: give a model of driving without a memory")
        self.optimum, self.window = optimum, settings.socs[:3]
        self._torques = _list_torques(optimum, driveline, settings)
        pairs = zip(chain.before.tolist(), chain.after.tolist(), strict=True)
        self._states = {pair: i for i, pair in enumerate(pairs)}

    def reset(self) -> None:
        """Forget nothing: all that counts is in the observation."""

    def decide(self, observation: Observation) -> Command:
        """Return the best engine state, gear and motor torque of the step.

        Raises
        ------
        InputError
            The step is none of the model's.
        """
        state = self._state(observation)
        level = int(np.argmin(np.abs(LEVELS - self._price(observation.soc))))
        priced, gear = self.optimum.priced, observation.gear - 1
        costs = priced.costs
        now = Costs(
            self._torques.stage[level, state : state + 1],
            costs.shift[state : state + 1],
            costs.stop[state : state + 1],
        )
        ahead = self.optimum.ahead[state]
        engine, chosen, _ = _decide(now, 0, ahead, int(observation.engine_on), gear)
        torque = float(self._torques.torque[level, state, chosen, engine])
        return Command(engine != 0, int(chosen) + 1, None if np.isnan(torque) else torque)

    def _price(self, soc: float) -> float:
        """Price at a SoC, over the held one."""
        low, high, start = self.window
        room = start - low if soc < start else high - start
        return float(1.0 + FEEDBACK * (start - soc) / max(room, 1e-9))

    def _state(self, observation: Observation) -> int:
        spacing = self.optimum.chain.spacing
        half = 0.5 * observation.acceleration * observation.dt
        pair = tuple(round((observation.speed + way * half) / spacing) for way in (-1, 1))
        if pair not in self._states:
            raise InputError(
                f"causal controller: the model knows no step at {observation.speed:.2f} m/s with "
                f"{observation.acceleration:.2f} m/s2; give it cycles drawn from the model"
            )
        return self._states[pair]


def _list_torques(optimum: CausalOptimum, driveline: Driveline, settings: Settings) -> _Torques:
    demand = optimum.chain.demand(driveline.vehicle)
    cell, price = pack_battery(driveline.battery), optimum.priced.price
    stage = np.empty((LEVELS.size, *optimum.priced.costs.stage.shape))
    torque = np.empty_like(stage)
    for first in range(0, demand.steps, PART):
        some = slice(first, min(first + PART, demand.steps))
        points = all_points(driveline, demand.part(some.start, some.stop), settings.splits)
        for level, share in enumerate(LEVELS):
            total = priced_points(points, cell, settings.socs[2], share * price)
            best = np.argmin(total, axis=3)[..., None]
            stage[level, some] = np.take_along_axis(total, best, 3)[..., 0]
            motor = np.take_along_axis(points.motor_torque, best, 3)
            torque[level, some] = np.where(best > 0, motor, np.nan)[..., 0]
    stage[..., STARTING] += (settings.start_cost + start_costs(driveline, demand))[:, None]
    return _Torques(stage, torque)
