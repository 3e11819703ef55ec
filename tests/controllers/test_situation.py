"""Moves looked up by number, times remembered, and the SoC window, against plain definitions."""

import numpy as np
import pytest
from makers import OFF, RUNNING, STARTING, constant_battery

from hybridopt.controllers.situation import (
    ENGINE_TIME,
    GEAR_TIME,
    LONG_AGO,
    Situation,
    _battery_step,
    _end_of,
    _engine_class,
    _inside,
    _is_open,
    _make_memory,
    _move,
    _remember,
    make_moves,
)
from hybridopt.physics.battery import pack_battery
from hybridopt.problem.graph import ANY, STAY, make_events
from hybridopt.problem.settings import Settings

TIMES = (
    {},
    {"min_on_time": 3.0, "min_off_time": 2.0},
    {"min_gear_time": 3.0},
    {"min_on_time": 2.0, "min_gear_time": 2.0},
)


def moves_of(**options):
    """Moves of six steps of 1 s with starts of two steps, three gears, and their graph."""
    events = make_events(Settings(**options), np.ones(6), start_steps=np.full(6, 2.0))
    return make_moves(events, np.zeros((6, 3, 3, 3))), events.graph


def at(source=0, engine=0, gear=1, soc=0.5, t=3):
    return Situation(t, soc, source, engine, gear, _make_memory())


@pytest.mark.parametrize("options", TIMES)
def test_every_move_is_found_and_nothing_else(options):
    """By scanning the graph: source, engine class, and whether the gear may stay or change."""
    moves, graph = moves_of(**options)
    for source in range(graph.states):
        for engine in (OFF, RUNNING, STARTING):
            for gear in range(3):
                fit = (graph.source == source) & (graph.engine == engine)
                fit &= (graph.gear == ANY) | ((graph.gear == STAY) == (gear == 1))
                (found,) = np.nonzero(fit)
                expected = found[0] if found.size else -1
                assert found.size <= 1
                assert _move(moves, at(source), int(engine), gear) == expected


def test_a_start_goes_on_until_it_is_done():
    """It takes two steps here: off, first step of the start, then running or a third state."""
    moves, graph = moves_of()
    began = graph.target[_move(moves, at(graph.off), STARTING, 1)]
    assert _engine_class(moves, at(graph.off), False) == OFF
    assert _engine_class(moves, at(graph.off), True) == STARTING
    assert _engine_class(moves, at(began, 1), True) == STARTING
    done = graph.target[_move(moves, at(began, 1), STARTING, 1)]
    assert _engine_class(moves, at(done, 1), True) == RUNNING


def test_inhibitors_close_moves_by_soc_cost_and_shift():
    moves, graph = moves_of(stop_soc_min=0.6)
    on = at(graph.on, 1, soc=0.5)
    assert _is_open(moves, on, RUNNING, 1) and not _is_open(moves, on, OFF, 1)
    assert _is_open(moves, on._replace(soc=0.6), OFF, 1)
    moves.shift[3, RUNNING, 1, 2] = np.inf
    assert not _is_open(moves, on, RUNNING, 2) and _is_open(moves, on, RUNNING, 0)
    moves.cost[3, _move(moves, on, RUNNING, 1)] = np.inf
    assert not _is_open(moves, on, RUNNING, 1)


def test_times_in_state_begin_anew_with_a_change():
    memory = _make_memory()
    before = Situation(0, 0.5, 0, 0, 1, memory)
    assert memory[ENGINE_TIME] == memory[GEAR_TIME] == LONG_AGO
    _remember(before, 2.0, 0, 2)
    assert (memory[ENGINE_TIME], memory[GEAR_TIME]) == (LONG_AGO + 2.0, 2.0)
    _remember(before._replace(gear=2), 0.5, 1, 2)
    assert (memory[ENGINE_TIME], memory[GEAR_TIME]) == (0.5, 2.5)


@pytest.mark.parametrize(
    ("soc", "after", "inside"),
    [
        (0.5, 0.4, True),
        (0.5, 0.399, False),
        (0.5, 0.601, False),
        (0.35, 0.36, True),  # from below the window, as long as it is not left further
        (0.35, 0.35, True),
        (0.35, 0.349, False),
        (0.65, 0.64, True),
        (0.65, 0.651, False),
        (0.5, np.nan, False),
    ],
)
def test_window_may_be_approached_from_outside(soc, after, inside):
    cell = pack_battery(constant_battery())
    assert _inside(_battery_step(cell, soc, 1.0, 0.4, 0.6), after, 0.0) == inside


def test_end_of_a_step_in_closed_form():
    """36 A from 36,000 C in 10 s are 1 %: (250 - 0.15 x 36) x 36 W at the terminals."""
    battery = _battery_step(pack_battery(constant_battery(limit=1e4)), 0.5, 10.0, 0.4, 0.6)
    power = (250.0 - 0.15 * 36.0) * 36.0
    assert _end_of(battery, power, 0.0) == pytest.approx(0.49, abs=1e-12)
    assert np.isnan(_end_of(battery, 1.1e4, 0.0)), "beyond the battery's power"
    assert np.isnan(_end_of(battery._replace(low=0.495), power, 0.0)), "out of the window"
