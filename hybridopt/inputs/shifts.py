"""How long gear shifts take and how much torque they let through, in SI units."""

from dataclasses import dataclass

from .fields import quantity, switch


@dataclass(frozen=True, eq=False, kw_only=True)
class Shifts:
    """What a shift interrupts, by its type: under drive torque up or down, coasting down, braking.

    For its time (s) a shift lets only a share of the torque through: 0 where the flow of torque is
    cut, as with a single clutch, 1 where one shift element takes over from another. What a shift
    under drive torque leaves missing is made up within `make_up_time` (s) from its beginning. All
    times are 0 unless given: shifts take no time. A shift down while the wheels are not driven and
    nothing is left to recuperate is as one in regeneration, unless `coast_down_time` is given.

    With `launch_rotors`, what the rotors of a running engine gain where the launch clutch begins
    to slip or closes is paid as at a shift: from idling to the speed of launches, say.
    """

    power_up_time: float = quantity("power_up_time_s", low=0, high=3, default=0.0)
    power_down_time: float = quantity("power_down_time_s", low=0, high=3, default=0.0)
    regeneration_time: float = quantity("regeneration_time_s", low=0, high=3, default=0.0)
    coast_down_time: float | None = quantity("coast_down_time_s", low=0, high=3, default=None)
    power_up_share: float = quantity("power_up_share", low=0, high=1, default=0.0)
    power_down_share: float = quantity("power_down_share", low=0, high=1, default=0.0)
    regeneration_share: float = quantity("regeneration_share", low=0, high=1, default=0.0)
    coast_down_share: float = quantity("coast_down_share", low=0, high=1, default=0.0)
    make_up_time: float = quantity("make_up_time_s", low=0.1, high=10, default=1.0)
    launch_rotors: bool = switch("charge_launch_rotors", default=False)

    @property
    def plain(self) -> bool:
        """Whether a shift is paid for its rotors by the ratios alone, and loses nothing."""
        return not (any(self.times) or self.launch_rotors)

    @property
    def times(self) -> tuple[float, float, float, float]:
        """Time of a shift, s: up and down under drive torque, in regeneration, coasting down."""
        back, coast = self.regeneration_time, self.coast_down_time
        return self.power_up_time, self.power_down_time, back, back if coast is None else coast

    @property
    def gaps(self) -> tuple[float, ...]:
        """Time for which all torque would be missing, s, in the order of `times`."""
        back = self.regeneration_share
        coast = back if self.coast_down_time is None else self.coast_down_share
        shares = self.power_up_share, self.power_down_share, back, coast
        return tuple((1.0 - share) * time for share, time in zip(shares, self.times, strict=True))
