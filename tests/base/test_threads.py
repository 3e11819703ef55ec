"""How many threads a sweep uses: what it learns from the times of its parts."""

import numba

from hybridopt.base.threads import LONG, RETRY, SHORT, Threads

STEPS = 1000


def counts(monkeypatch, one, many, parts, begun=0):
    """Threads of each part, on four, with given times of a step on one and on all threads."""
    monkeypatch.setattr(numba, "get_num_threads", lambda: 4)
    monkeypatch.setattr(Threads, "begun", begun)
    chosen, used = Threads(STEPS), []
    for _ in range(parts):
        used.append(chosen.count)
        chosen.learn(one if chosen.count == 1 else many)
    return used


def test_a_first_short_sweep_stays_on_one_thread(monkeypatch):
    assert counts(monkeypatch, 0.9 * LONG / STEPS, 0.0, 30) == [1] * 30


def test_later_sweeps_of_a_process_need_not_be_long(monkeypatch):
    assert counts(monkeypatch, 0.9 * SHORT / STEPS, 0.0, 30, begun=1) == [1] * 30
    step = 1.1 * SHORT / STEPS
    assert counts(monkeypatch, step, 0.5 * step, 6, begun=1) == [1, 1, 4, 4, 4, 4]
    assert counts(monkeypatch, step, 0.5 * step, 6, begun=0) == [1] * 6


def test_long_sweeps_take_the_faster_number(monkeypatch):
    """Two parts of each number, the first of which may compile; then the faster one."""
    step = 1.1 * LONG / STEPS
    assert counts(monkeypatch, step, 0.5 * step, 8) == [1, 1, 4, 4, 4, 4, 4, 4]
    assert counts(monkeypatch, step, 1.5 * step, 8) == [1, 1, 4, 4, 1, 1, 1, 1]


def test_the_slower_number_is_tried_again_unless_hopeless(monkeypatch):
    step = 1.1 * LONG / STEPS
    assert counts(monkeypatch, step, 1.5 * step, RETRY + 2)[-2:] == [4, 1]
    assert counts(monkeypatch, step, 3.0 * step, RETRY + 2)[-2:] == [1, 1]
