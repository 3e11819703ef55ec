"""A smooth drive in closed form, and logs of it in many shapes, whole and damaged."""

import math

import numpy as np

KM_PER_H = 1 / 3.6
DURATION = 240.0  # s
WAVE = 60.0  # s, four hills of speed with a moment of rest between them
TOP = 16.0  # m/s
LENGTH = TOP * DURATION / 2  # m, the mean of sin^2 is one half
RISE = 20.0  # m
PITCH = 800.0  # m of road per hill


def speed_at(time):
    """Return TOP sin^2(pi t / WAVE), m/s."""
    return TOP * np.sin(np.pi * np.asarray(time) / WAVE) ** 2


def distance_at(time):
    """Return the integral of :func:`speed_at`, m."""
    time = np.asarray(time)
    return TOP * (time / 2 - WAVE / (4 * np.pi) * np.sin(2 * np.pi * time / WAVE))


def altitude_at(time):
    """Return RISE (1 - cos(2 pi s / PITCH)) / 2 + 100, m."""
    return 100 + RISE / 2 * (1 - np.cos(2 * np.pi * distance_at(time) / PITCH))


def grade_at(time):
    """Return the slope of :func:`altitude_at` over distance."""
    return RISE * np.pi / PITCH * np.sin(2 * np.pi * distance_at(time) / PITCH)


def stamps(rate=10.0):
    """Return even time stamps of the drive at a rate in Hz."""
    return np.linspace(0.0, DURATION, round(DURATION * rate) + 1)


def rows(time, digits=3, altitude=False):
    """Return time and speed in km/h (and altitude) as text cells."""
    table = [time, speed_at(time) / KM_PER_H] + ([altitude_at(time)] if altitude else [])
    return [[f"{value:.{digits}f}" for value in row] for row in zip(*table, strict=True)]


def text(cells, header=("time [s]", "speed [km/h]"), delimiter=",", comma=False):
    """Return a text log."""
    lines = [delimiter.join(header)] if header else []
    for row in cells:
        line = delimiter.join(row)
        lines.append(line.replace(".", ",") if comma else line)
    return "\n".join(lines) + "\n"


def energy_by_hand(mass=1500.0, roll=0.01, area=0.66, gravity=9.81, density=1.2, count=240_001):
    """Positive tractive energy of the drive, J, by the midpoint rule on the closed form."""
    step = DURATION / count
    time = (np.arange(count) + 0.5) * step
    v = speed_at(time)
    rate = TOP * math.pi / WAVE * np.sin(2 * math.pi * time / WAVE)
    power = (mass * rate + mass * gravity * roll + 0.5 * density * area * v**2) * v
    return float(np.maximum(power, 0.0).sum() * step)


NEAR = 0.1 * KM_PER_H  # m/s, stated tolerance of an import of the drive
NEAR_REST = 0.7 * KM_PER_H  # m/s, below 2 km/h, where less than 0.5 km/h counts as rest


def assert_the_drive(drive, near=NEAR, far=1e-3):
    """Compare an imported drive with the closed form, at each point and in distance."""
    wanted = speed_at(drive.cycle.time)
    error = np.abs(drive.cycle.speed - wanted)
    assert abs(drive.cycle.duration - DURATION) < 0.11
    assert error[wanted > 2.0 * KM_PER_H].max() < near
    assert error.max() < max(near, NEAR_REST)
    assert abs(drive.cycle.distance / LENGTH - 1.0) < far
