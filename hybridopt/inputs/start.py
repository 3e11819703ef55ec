"""Engine start: its fuel, time and energy, and the torque it takes and gives."""

from dataclasses import dataclass

from xarray import DataArray

from .fields import quantity, switch


@dataclass(frozen=True, eq=False, kw_only=True)
class Start:
    """Engine start, by the motor through the closing separating clutch or by a `starter`.

    A pull by the motor needs `torque_reserve` (N m at any motor speed) or `reserve_curve` (N m,
    dim speed) of the motor's peak torque. A starter needs none; its energy comes from the DC
    side too, at `efficiency`.

    After `duration` the engine's full-load torque builds up with the time constant `ramp_time` (s).
    With `closed_at_rest` a start at standstill brings motor and engine up together, without slip.
    For `run_down_time` (s) after a stop the engine cannot be started, as by a starter while it
    still turns: a minimum off time of the driveline.
    """

    reserve_curve: DataArray | None = None
    fuel: float = quantity("fuel_g", low=0, high=20)
    duration: float = quantity("duration_s", low=0.01, high=5)
    efficiency: float = quantity("efficiency", low=0.1, high=1)
    torque_reserve: float = quantity("torque_reserve_Nm", low=0, high=2000, default=0.0)
    ramp_time: float = quantity("ramp_time_s", low=0, high=5, default=0.0)
    run_down_time: float = quantity("run_down_time_s", low=0, high=10, default=0.0)
    starter: bool = switch("starter", False)
    closed_at_rest: bool = switch("closed_at_rest", False)

    @property
    def span(self) -> float:
        """Time until the engine gives 95 % of its torque, s: three time constants of the ramp."""
        return self.duration + 3.0 * self.ramp_time
