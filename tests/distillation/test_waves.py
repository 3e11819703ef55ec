"""What refinement moves: level and long waves of tables, and nothing by default."""

import numpy as np
import pytest

from hybridopt.distillation.waves import APART, SPEED_WAVES, line_waves, power_waves


def test_waves_are_cosines_of_half_a_turn_each():
    """From the definition, start and stop of 16 speeds: together, then apart."""
    waves, number = power_waves(16), np.arange(SPEED_WAVES)
    place = (np.arange(16) + 0.5) / 16
    assert waves.shape == (32, 2 * SPEED_WAVES)
    for k in number:
        size = 1.0 if k == 0 else np.sqrt(2.0 / (k + 1.0))
        wave = size * np.cos(np.pi * k * place)
        np.testing.assert_allclose(waves[:, k], [*wave, *wave], atol=1e-12)
        apart = APART * wave
        np.testing.assert_allclose(waves[:, SPEED_WAVES + k], [*apart, *-apart], atol=1e-12)


@pytest.mark.parametrize("waves", [power_waves(5), power_waves(16), line_waves(1), line_waves(7)])
def test_no_two_waves_do_the_same(waves):
    """Discrete cosines and sum and difference are orthogonal."""
    product = waves.T @ waves
    np.testing.assert_allclose(product, np.diag(np.diag(product)), atol=1e-12)
    assert np.all(np.diag(product) > 0.0)


def test_every_change_of_lines_can_be_made():
    """By pair of gears, direction and engine state: as many waves as lines."""
    wanted = np.random.default_rng(1).normal(size=(2, 7, 2))
    sizes = np.linalg.solve(line_waves(7), wanted.ravel())
    np.testing.assert_allclose((line_waves(7) @ sizes).reshape(wanted.shape), wanted, atol=1e-12)
