"""Limits on the shape of rule tables, as settings: what a calibrator expects of tables."""

import dataclasses
from dataclasses import dataclass
from typing import Any

from ..base.errors import InputError
from ..base.units import KM_PER_H, KW
from ..inputs.fields import shown
from ..problem.declaring import Declaration, NumberKind, declared, parameters, setting

SPEED = NumberKind("km_per_h", "km/h", "m/s", KM_PER_H, 0.0, 100.0)
POWER = NumberKind("kW", "kW", "W", KW, 0.0, 1e6)
TIME = NumberKind("s", "s", "s", 1.0, 0.0, 60.0)


@dataclass(frozen=True, kw_only=True)
class ShapeLimits:
    """Limits on the shape of rule tables, SI."""

    hysteresis: float = setting(
        2.0 * KM_PER_H, "Least distance of the lines up and down between the same two gears.", SPEED
    )
    power_hysteresis: float = setting(
        1.0 * KW, "Least distance of the powers at which the engine starts and stops.", POWER
    )
    ordered: bool = setting(
        True, "Lines do not cross: those of a higher gear lie at the same speed or above."
    )
    rising: bool = setting(
        True,
        "Shift lines do not fall as the wheel torque grows, driving or braking, nor do start, stop "
        "and motor torque as the charge rises.",
    )
    speed_step: float = setting(
        30.0 * KM_PER_H, "Most that a shift line changes from one wheel torque to the next.", SPEED
    )
    power_step: float = setting(
        10.0 * KW, "Most that start and stop change from one vehicle speed to the next.", POWER
    )
    in_range: bool = setting(
        True, "Values are speeds, powers and torques that the vehicle can have."
    )
    gear_time: float = setting(2.5, "Least minimum time in a gear.", TIME)

    def __post_init__(self) -> None:
        """Check each limit on its own."""
        for name, declaration in SHAPE_LIMITS.items():
            declaration.check(getattr(self, name))

    def without(self, name: str) -> "ShapeLimits":
        """Return the limits with one of them left out."""
        return dataclasses.replace(self, **{name: getattr(NO_LIMITS, name)})

    @property
    def text(self) -> str:
        """All limits in one line, as files of tables state them."""
        limits = SHAPE_LIMITS.items()
        return "; ".join(f"{one.key} {one.written(getattr(self, name))}" for name, one in limits)

    @classmethod
    def of_text(cls, text: str, place: str) -> "ShapeLimits":
        """Return the limits that a file states.

        Raises
        ------
        InputError
            A word or a value of it is wrong; `place` says where it stands.
        """
        keys = {one.key: one for one in SHAPE_LIMITS.values()}
        given: dict[str, Any] = {}
        for pair in text.split("; "):
            key, _, value = pair.partition(" ")
            if key not in keys or not value:
                raise InputError(
                    f"{place}: shape says {shown(pair)}; write a limit and its value, such as "
                    f"{ShapeLimits().text.split('; ')[0]!r}"
                )
            given[keys[key].name] = _value(keys[key], value, place)
        return cls(**given)


def _value(limit: Declaration, text: str, place: str) -> Any:
    """Return what the text of a limit says."""
    if limit.kind is bool and text in limit.words:
        return text == "true"
    try:
        if limit.kind is bool:
            raise ValueError
        return float(limit.from_given(float(text)))
    except ValueError:
        raise InputError(
            f"{place}: shape: {limit.key} is {shown(text)}; allowed is {limit.range}"
        ) from None


SHAPE_LIMITS = declared(ShapeLimits)
"""Declaration of each limit, by name."""
NO_LIMITS = ShapeLimits(
    hysteresis=0.0,
    power_hysteresis=0.0,
    ordered=False,
    rising=False,
    speed_step=SPEED.high,
    power_step=POWER.high,
    in_range=False,
    gear_time=0.0,
)
"""Limits that leave tables as they are, but that no line down lies above the one up."""
ShapeLimits.__doc__ = f"{ShapeLimits.__doc__}\n\n{parameters(SHAPE_LIMITS)}\n"
