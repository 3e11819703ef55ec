"""A recording: a drive with the channels of its powertrain, as logged, on one time base in SI."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from ..base.nomenclature import Quantity
from ..inputs.cycle import Cycle
from .channels import ChosenColumn
from .drive import ImportedDrive

CHANNELS = {
    "speed": Quantity("m/s", "vehicle speed"),
    "engine_speed": Quantity("rad/s", "speed of the engine"),
    "motor_speed": Quantity("rad/s", "speed of the motor"),
    "engine_torque": Quantity("N m", "torque of the engine at its flange, negative in overrun"),
    "fuel_rate": Quantity("g/s", "fuel rate"),
    "air_flow": Quantity("g/s", "air mass flow of the engine"),
    "air_ratio": Quantity("1", "air over what the fuel needs, lambda"),
    "motor_torque": Quantity("N m", "torque of the motor, positive drives"),
    "motor_power": Quantity("W", "electric power of the motor on the DC side, positive drives"),
    "gear": Quantity("1", "gear engaged, 1 is first gear, 0 none"),
    "battery_voltage": Quantity("V", "battery terminal voltage"),
    "battery_current": Quantity("A", "battery current, positive discharges"),
    "soc": Quantity("1", "state of charge"),
    "separating_clutch": Quantity("1", "separating clutch, 0 open to 1 closed"),
    "launch_clutch": Quantity("1", "launch clutch, 0 open to 1 closed"),
    "altitude": Quantity("m", "altitude"),
    "grade": Quantity("1", "rise over run"),
    "oil_temperature": Quantity("degC", "temperature of the engine oil"),
    "coolant_temperature": Quantity("degC", "temperature of the coolant"),
    "ambient_temperature": Quantity("degC", "temperature of the air outside"),
    "auxiliary_power": Quantity("W", "electric load beside the motor, on the DC side"),
    "brake": Quantity("1", "brake pedal or pressure, 0 released to 1"),
}
"""Every channel of a recording, its unit and meaning."""


@dataclass(frozen=True)
class Finding:
    """Something that channels do not agree on, or that looks wrong; nothing was mended.

    Attributes
    ----------
    kind : a word for machines, such as "frozen", "delay", "sign", "unit", "disagrees"
    channels : the channels concerned
    text : one sentence for people, with figures
    start, stop : s, where, of the recording's time; the whole where not narrower
    """

    kind: str
    channels: tuple[str, ...]
    text: str
    start: float
    stop: float


@dataclass(frozen=True, eq=False)
class Recording:
    """A measured drive.

    Attributes
    ----------
    name, path : of the log
    time : s from 0 on, evenly spaced, shape (n,)
    channels : by name of :data:`CHANNELS`, in SI, shape (n,) each; NaN where nothing was measured;
        channels that the log lacks are absent
    drive : the import that made the cycle of speed and grade, its time 0 the recording's
    findings : what the checks of channels against each other found
    choices : the column of each channel that the log holds, its unit, and who chose it
    """

    name: str
    path: Path
    time: np.ndarray
    channels: Mapping[str, np.ndarray]
    drive: ImportedDrive
    findings: tuple[Finding, ...] = ()
    choices: Mapping[str, ChosenColumn] = field(default_factory=dict)

    @property
    def cycle(self) -> Cycle:
        """Speed and grade of the drive."""
        return self.drive.cycle

    def has(self, *names: str) -> bool:
        """Return whether all channels named are there."""
        return all(name in self.channels for name in names)

    @property
    def step(self) -> float:
        """Distance of two samples, s."""
        return float(self.time[1])

    @property
    def shaft(self) -> str:
        """The channel that tells the speed of the gearbox input best; empty where none does."""
        return next((name for name in ("motor_speed", "engine_speed") if self.has(name)), "")
