"""Packed maps: multilinear lookup, clamped to the axes."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.interpolate import RegularGridInterpolator

from hybridopt.base.errors import InputError
from hybridopt.controllers.maps import _lookup, pack_map

AXES = (np.array([0.0, 1.0, 4.0]), np.array([-2.0, 0.0, 5.0, 6.0]), np.array([0.3, 0.5]))
VALUES = np.random.default_rng(1).normal(size=(3, 4, 2))
PACKED = np.concatenate((np.full(7, np.nan), pack_map(AXES, VALUES)))  # not at the beginning


@pytest.mark.long
@given(st.floats(-2, 6), st.floats(-4, 8), st.floats(0.1, 0.7))
def test_lookup_is_scipys_inside_and_clamped_outside(a, b, c):
    clamped = [np.clip(x, axis[0], axis[-1]) for x, axis in zip((a, b, c), AXES, strict=True)]
    expected = RegularGridInterpolator(AXES, VALUES)(clamped)[0]
    assert _lookup(PACKED, 7.0, a, b, c) == pytest.approx(expected, rel=1e-12, abs=1e-12)


@pytest.mark.parametrize("dims", [1, 2])
def test_lookup_with_fewer_axes_ignores_the_rest(dims):
    values = VALUES[(slice(None),) * dims + (0,) * (3 - dims)]
    packed = pack_map(AXES[:dims], values)
    expected = RegularGridInterpolator(AXES[:dims], values)([0.5, 1.0][:dims])[0]
    assert _lookup(packed, 0.0, 0.5, 1.0, 99.0) == pytest.approx(expected)


@pytest.mark.parametrize(
    ("axes", "values", "words"),
    [
        (AXES[:2], VALUES, "values have shape"),
        ((np.array([1.0, 1.0]),), np.zeros(2), "axis 1 does not increase"),
        ((np.array([0.0, 1.0]),), np.array([0.0, np.nan]), "not a finite number"),
        ((), np.zeros(()), "one to 3 axes"),
    ],
)
def test_a_bad_map_is_refused(axes, values, words):
    with pytest.raises(InputError, match=words):
        pack_map(axes, values, "[split]")
