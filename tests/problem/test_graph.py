"""States, moves, ages and events against traces written by hand.

No outside source: what is expected follows from the settings' own words, a minimum time in seconds,
a start of so many steps, a cost per start.
"""

import itertools

import numpy as np
import pytest

from hybridopt import Settings
from hybridopt.base.errors import InputError
from hybridopt.problem.graph import ANY, SHIFT, STAY, begins_start, follow, make_events, make_graph

OFF, RUN, START = 0, 1, 2
FIRST, SECOND = 0, 1  # gears


def moves_of(graph):
    return set(
        zip(
            *(a.tolist() for a in (graph.source, graph.engine, graph.gear, graph.target)),
            strict=True,
        )
    )


def paid(events, states, engines, gears, gear=FIRST):
    """What a schedule pays for its moves, g, infinite where one of them is closed."""
    graph, total = events.graph, 0.0
    befores = [gear, *gears[:-1]]
    for t, (engine, before, after) in enumerate(zip(engines, befores, gears, strict=True)):
        kind = ANY if graph.gear_ages == 1 else STAY if before == after else SHIFT
        here = (graph.source == states[t]) & (graph.engine == engine) & (graph.gear == kind)
        (move,) = np.flatnonzero(here)
        total += events.cost[t, move]
    return total


def drive(engines, gears=None, on=False, dt=None, stop_costs=None, start_steps=None, **options):
    """States that a schedule passes, and what its moves cost."""
    dt = np.ones(len(engines)) if dt is None else np.array(dt)
    gears = [FIRST] * len(engines) if gears is None else gears
    events = make_events(Settings(**options), dt, stop_costs, start_steps)
    begin = events.graph.on if on else events.graph.off
    states = follow(events.graph, begin, FIRST, np.array(engines), np.array(gears))
    return states.tolist(), paid(events, states, engines, gears)


def test_without_minimum_times_there_are_two_states_and_four_moves():
    graph = make_graph(off=1, on=1, start=1, gear=1)
    off, on = 0, 1
    assert (graph.states, graph.off, graph.on) == (2, off, on)
    assert moves_of(graph) == {
        (off, OFF, ANY, off),
        (off, START, ANY, on),
        (on, OFF, ANY, off),
        (on, RUN, ANY, on),
    }
    states, cost = drive([OFF, START, RUN, OFF, START, OFF], start_cost=0.7)
    assert states == [off, off, on, on, off, on, off]
    assert cost == pytest.approx(2 * 0.7)


def test_arrivals_are_pairs_of_class_and_state_and_compete_with_the_engine_off():
    graph = make_graph(off=1, on=1, start=1, gear=1)
    pairs = list(zip(graph.arrival_engine.tolist(), graph.arrival_state.tolist(), strict=True))
    assert pairs == [(OFF, 0), (RUN, 1), (START, 1)]
    assert graph.arrival_rival.tolist() == [-1, 0, 0]
    for m, rival in enumerate(graph.rival):
        if graph.engine[m] == OFF:
            assert rival == -1
        else:  # the engine off instead, from the same state
            assert graph.engine[rival] == OFF and graph.source[rival] == graph.source[m]


def test_minimum_times_on_and_off_make_ages():
    """3 s on and 2 s off at 1 Hz: states off 0, 1 and on 2, 3, 4; the last of each is free."""
    times = {"min_on_time": 3.0, "min_off_time": 2.0}
    graph = make_events(Settings(**times), np.ones(9)).graph
    assert (graph.states, graph.off, graph.on) == (5, 1, 4)
    assert (graph.off_ages, graph.on_ages, graph.gear_ages) == (2, 3, 1)
    states, cost = drive([OFF, OFF, START, RUN, RUN, OFF, OFF], on=True, **times)
    assert states == [4, 0, 1, 2, 3, 4, 0, 1] and cost == 0.0
    states, cost = drive([OFF, START, RUN, RUN], on=True, **times)
    assert states == [4, 0, 2, 3, 4] and cost == np.inf, "1 s off"
    states, cost = drive([START, RUN, OFF, OFF], **times)
    assert states == [1, 2, 3, 0, 1] and cost == np.inf, "2 s on"
    assert drive([START, RUN, RUN], **times)[1] == 0.0, "long off before the first step"
    assert drive([OFF, OFF, OFF], on=True, **times)[1] == 0.0, "long on before the first step"


def test_no_more_ages_than_steps():
    """A minimum time longer than the drive: what has changed stays to the end."""
    graph = make_events(Settings(min_on_time=3600.0), np.ones(4)).graph
    assert (graph.on_ages, graph.states) == (4, 5)


def test_a_minimum_time_that_is_no_whole_number_of_steps_is_rounded_up():
    assert drive([START, RUN, RUN, OFF], min_on_time=2.5)[1] == 0.0
    assert drive([START, RUN, OFF], min_on_time=2.5)[1] == np.inf


def test_a_start_of_several_steps_is_paid_once_and_must_be_finished():
    start = {"start_steps": np.full(5, 2), "start_cost": 0.7}
    states, cost = drive([OFF, START, START, RUN, OFF], **start)
    assert states == [0, 0, 1, 2, 2, 0] and cost == pytest.approx(0.7)
    assert drive([OFF, START, RUN, RUN, OFF], **start)[1] == np.inf, "half a start"
    with pytest.raises(ValueError, match="step 3: engine class 2 cannot follow"):
        drive([OFF, START, START, START, RUN], **start)
    assert drive([OFF, START, OFF, OFF, OFF], **start)[1] == np.inf, "a start is not broken off"


def test_a_start_ends_where_its_shares_add_up():
    """A step of half the length takes twice as many steps: 1/4 + 1/4 + 1/2 is a start."""
    start_steps = np.array([4, 4, 2, 2, 2])
    assert drive([START, START, START, RUN, RUN], start_steps=start_steps)[1] == 0.0
    assert drive([START, START, RUN, RUN, RUN], start_steps=start_steps)[1] == np.inf
    with pytest.raises(ValueError, match="step 3: engine class 2 cannot follow"):
        drive([START, START, START, START, RUN], start_steps=start_steps)


def test_minimum_time_in_gear_splits_states_by_age_in_gear():
    """2 s in gear at 1 Hz: states off 0, 1 and on 2, 3, each by age of the gear."""
    times = {"min_gear_time": 2.0}
    graph = make_events(Settings(**times), np.ones(9)).graph
    assert (graph.states, graph.off, graph.on, graph.gear_ages) == (4, 1, 3, 2)
    states, cost = drive([OFF] * 4, [SECOND, SECOND, FIRST, FIRST], **times)
    assert states == [1, 0, 1, 0, 1] and cost == 0.0
    assert drive([OFF] * 3, [SECOND, FIRST, FIRST], **times)[1] == np.inf, "1 s in gear"
    states, cost = drive([START, RUN, OFF], [SECOND, SECOND, FIRST], **times)
    assert states == [1, 2, 3, 0] and cost == 0.0, "the gear's age goes on through a start"


@pytest.mark.parametrize("least", [0.4, 1.0, 1.5, 2.0, 3.5])
def test_uneven_steps_count_seconds(least):
    """Stop in step i, start in step j: open where the steps between last as long, by plain sums."""
    dt = [0.5, 1.0, 0.5, 0.25, 2.0, 0.5, 1.0, 0.5]
    for i, j in itertools.combinations(range(len(dt)), 2):
        engines = [RUN] * i + [OFF] * (j - i) + [START] + [RUN] * (len(dt) - j - 1)
        cost = drive(engines, on=True, dt=dt, min_off_time=least)[1]
        assert (cost == 0.0) == (sum(dt[i:j]) >= least), (i, j)
        engines = [OFF] * i + [START] + [RUN] * (j - i - 1) + [OFF] * (len(dt) - j)
        cost = drive(engines, dt=dt, min_on_time=least)[1]
        assert (cost == 0.0) == (sum(dt[i:j]) >= least), (i, j)
        gears = [FIRST] * i + [SECOND] * (j - i) + [FIRST] * (len(dt) - j)
        cost = drive([OFF] * len(dt), gears, dt=dt, min_gear_time=least)[1]
        assert (cost == 0.0) == (sum(dt[i:j]) >= least), (i, j)


def test_stops_are_closed_by_step_and_by_charge():
    stop_costs = np.array([0.0, np.inf, 0.0])
    assert drive([OFF, OFF, OFF], on=True, stop_costs=stop_costs)[1] == 0.0
    assert drive([RUN, OFF, OFF], on=True, stop_costs=stop_costs)[1] == np.inf
    assert drive([RUN, RUN, OFF], on=True, stop_costs=stop_costs)[1] == 0.0
    events = make_events(Settings(stop_soc_min=0.4), np.ones(3))
    stops = (events.graph.source == events.graph.on) & (events.graph.engine == OFF)
    assert events.soc_min.tolist() == np.where(stops, 0.4, 0.0).tolist()


def test_too_many_states_are_refused():
    with pytest.raises(InputError, match="minimum times make 400 states.*at most 256"):
        make_events(Settings(min_on_time=20, min_off_time=20, min_gear_time=10), np.ones(99))


def test_starts_of_several_steps_begin_once():
    classes = np.array([START, START, RUN, OFF, START, RUN, START])
    assert begins_start(classes).tolist() == [True, False, False, False, True, False, True]
