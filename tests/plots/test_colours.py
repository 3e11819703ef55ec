"""The colours of the modes stay apart, in grey and for every kind of colour vision."""

import re
from itertools import combinations
from pathlib import Path

import numpy as np
import pytest
from matplotlib.colors import to_rgb

import hybridopt
from hybridopt.physics.modes import Mode
from hybridopt.plots.colours import MODE_COLOURS, PAPER

# Machado, Oliveira, Fernandes, "A physiologically-based model for simulation of color vision
# deficiency", IEEE TVCG 15(6), 2009, full severity, DOI 10.1109/TVCG.2009.113
VISION = {
    "usual": np.eye(3),
    "no red cones": [
        [0.152286, 1.052583, -0.204868],
        [0.114503, 0.786281, 0.099216],
        [-0.003882, -0.048116, 1.051998],
    ],
    "no green cones": [
        [0.367322, 0.860646, -0.227968],
        [0.280085, 0.672501, 0.047413],
        [-0.011820, 0.042940, 0.968881],
    ],
    "no blue cones": [
        [1.255528, -0.076749, -0.178779],
        [-0.078411, 0.930809, 0.147602],
        [0.004733, 0.691367, 0.303900],
    ],
}


def linear(colour):
    """sRGB to linear light, IEC 61966-2-1."""
    part = np.array(to_rgb(colour))
    return np.where(part <= 0.04045, part / 12.92, ((part + 0.055) / 1.055) ** 2.4)


def lab(light):
    """Linear sRGB to CIE 1976 L*a*b*, white point D65."""
    to_xyz = [[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]]
    x = np.array(to_xyz) @ light / (0.9505, 1.0, 1.089)
    f = np.where(x > (6 / 29) ** 3, np.cbrt(x), x / (3 * (6 / 29) ** 2) + 4 / 29)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


def test_lab_of_known_colours():
    """Red is L* 53.24, a* 80.09, b* 67.20 by the primaries of IEC 61966-2-1, computed apart."""
    np.testing.assert_allclose(lab(linear("#ffffff")), [100, 0, 0], atol=0.05)
    np.testing.assert_allclose(lab(linear("#ff0000")), [53.24, 80.09, 67.20], atol=0.1)


@pytest.mark.parametrize("vision", VISION)
def test_modes_differ_by_15(vision):
    seen = [lab(np.clip(np.array(VISION[vision]) @ linear(MODE_COLOURS[m]), 0, 1)) for m in Mode]
    assert min(np.linalg.norm(a - b) for a, b in combinations(seen, 2)) > 15.0


def test_modes_differ_in_grey_and_from_the_page():
    lightness = sorted(lab(linear(colour))[0] for colour in (*MODE_COLOURS.values(), PAPER))
    assert np.diff(lightness).min() > 8.0


def test_no_other_file_of_the_pictures_names_a_colour():
    folder = Path(hybridopt.__file__).parent
    named = {p.name for p in folder.rglob("*.py") if re.search(r"#[0-9a-fA-F]{6}\b", p.read_text())}
    assert named == {"colours.py"}
