"""How many threads a sweep uses: what it learns from the times of its parts."""

import numba
import pytest

from hybridopt.base.threads import LONG, SHORT, SLOWER, Threads

STEPS = 1000


@pytest.fixture
def counts(monkeypatch):
    def counts(one, many, parts, swept=False, there=4):
        """Threads of each part, with given times of a step on one and on all threads."""
        monkeypatch.setattr(numba, "get_num_threads", lambda: there)
        monkeypatch.setattr(Threads, "swept", swept)
        chosen, used = Threads(STEPS), []
        for part in range(parts):
            used.append(chosen.count)
            chosen.learn(one if chosen.count == 1 else many(part) if callable(many) else many)
        return used

    return counts


def test_a_first_short_sweep_stays_on_one_thread(counts):
    assert counts(0.9 * LONG / STEPS, 0.0, 30) == [1] * 30


def test_later_sweeps_of_a_process_need_not_be_long(counts):
    assert counts(0.9 * SHORT / STEPS, 0.0, 30, swept=True) == [1] * 30
    step = 1.1 * SHORT / STEPS
    assert counts(step, 0.5 * step, 6, swept=True) == [1, 1, 4, 4, 4, 4]
    assert counts(step, 0.5 * step, 6) == [1] * 6


def test_a_long_sweep_goes_back_to_one_thread_for_good_where_all_are_slower(counts):
    """The first part of each number does not count: it may compile."""
    step = 1.1 * LONG / STEPS
    assert counts(step, 0.5 * step, 8) == [1, 1, 4, 4, 4, 4, 4, 4]
    assert counts(step, 1.1 * SLOWER * step, 30) == [1, 1, 4, 4] + [1] * 26
    busy = {2: 9.0, 3: 0.5, 4: 0.5, 5: 9.0}  # the machine gets busy in part 5
    assert counts(step, lambda part: busy[part] * step, 9) == [1, 1, 4, 4, 4, 4, 1, 1, 1]


def test_one_thread_is_all_there_is(counts):
    assert counts(1.1 * LONG / STEPS, 0.0, 5, there=1) == [1] * 5
