"""Mode labels; the definitions are the package's own table of modes."""

import itertools

import numpy as np
import pytest

from hybridopt.physics.codes import EngineClass
from hybridopt.physics.modes import Mode, label_modes

OFF, RUNNING, STARTING = EngineClass


def label(speed, engine_class, engine_torque, motor_torque, powered):
    columns = (speed, engine_class, engine_torque, motor_torque, powered)
    return Mode(label_modes(*(np.array([value]) for value in columns))[0])


@pytest.mark.parametrize(
    ("state", "mode"),
    [
        ((0.0, OFF, 0, 0, False), Mode.STANDSTILL),
        ((0.0, RUNNING, 0, -2, False), Mode.STANDSTILL),
        ((0.0, RUNNING, 30, -30, True), Mode.STANDSTILL),  # charging at idle
        ((9.0, RUNNING, 80, -2, False), Mode.ENGINE_ONLY),  # the motor only drags
        ((9.0, RUNNING, 80, 0, True), Mode.ENGINE_ONLY),
        ((9.0, OFF, 0, 60, True), Mode.ELECTRIC),
        ((9.0, OFF, -20, 60, True), Mode.ELECTRIC),  # the engine cannot be separated
        ((9.0, RUNNING, 80, 40, True), Mode.BOOST),
        ((9.0, RUNNING, 80, -40, True), Mode.LOAD_POINT_SHIFT),
        ((9.0, OFF, 0, -40, True), Mode.REGEN),
        ((9.0, RUNNING, -20, -40, True), Mode.REGEN),  # overrun, fuel cut
        ((9.0, OFF, 0, -2, False), Mode.COAST),
        ((9.0, OFF, 0, 0, True), Mode.COAST),
        ((9.0, STARTING, 80, 40, True), Mode.ENGINE_PULL_START),
        ((0.0, STARTING, 30, -30, True), Mode.ENGINE_PULL_START),
    ],
)
def test_definitions(state, mode):
    assert label(*state) == mode


def test_codes_and_words_are_unique():
    assert sorted(Mode) == list(range(len(Mode)))
    assert len({mode.text for mode in Mode}) == len(Mode) == 8


def test_every_state_has_one_label_and_every_label_a_state():
    """One code per step, whatever the state, also when states come together in one array."""
    torques = (-30.0, 0.0, 30.0)
    states = list(itertools.product((0.0, 5.0), EngineClass, torques, torques, (False, True)))
    codes = label_modes(*(np.array(column) for column in zip(*states, strict=True)))
    assert codes.shape == (len(states),) and codes.dtype == np.int8
    assert set(codes) == set(Mode)
    assert [label(*state) for state in states] == list(codes)


def test_unpowered_torque_never_counts_as_drive_or_charge():
    for engine_class in (OFF, RUNNING):
        low, high = label(9.0, engine_class, 0, -5, False), label(9.0, engine_class, 0, 5, False)
        assert low == high and low in (Mode.COAST, Mode.ENGINE_ONLY)
