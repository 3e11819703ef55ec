"""The model of driving: links by hand, no dead ends, drives that are what they were trained on."""

import dataclasses

import numpy as np
import pytest

from hybridopt import Cycle, InputError, read_cycle
from hybridopt.foresight.chain import drive_statistics
from hybridopt.foresight.training import RATES, drive_chain, second_by_second


def repeated(speeds, times=30):
    """The same drive over and over, in steps of 1 s."""
    speed = np.tile(np.array(speeds, dtype=float), times)
    return Cycle("again", np.arange(speed.size, dtype=float), speed)


@pytest.fixture(scope="module")
def town():
    return drive_chain([read_cycle("artemis_urban"), read_cycle("ece15")])


def test_links_are_the_counts_of_a_drive_that_never_varies():
    """Each state has one way on, but at rest.

    From rest the training has, at each seam of two drives, once rest again and once the launch.
    """
    chain = drive_chain([repeated([0.0, 0.0, 1.0, 2.5, 2.5, 1.5, 0.0], times=200)])
    pairs = {
        (round(0.1 * b, 6), round(0.1 * a, 6))
        for b, a in zip(chain.before.tolist(), chain.after.tolist(), strict=True)
    }
    assert pairs == {(0, 0), (0, 1), (1, 2.5), (2.5, 2.5), (2.5, 1.5), (1.5, 0)}
    ways = np.ones(chain.states, dtype=int)
    ways[chain.rest] = 2
    assert np.diff(chain.links.indptr).tolist() == ways.tolist()
    assert chain.links[chain.rest, chain.rest] == pytest.approx(0.5, abs=0.01)


def test_a_step_begins_where_the_one_before_ended(town):
    source = np.repeat(np.arange(town.states), np.diff(town.links.indptr))
    assert (town.after[source] == town.before[town.links.indices]).all()
    rate = (town.after - town.before) * town.spacing
    assert rate.min() >= RATES[0] - 1e-9 and rate.max() <= RATES[-1] + 1e-9
    assert len(set(zip(town.before.tolist(), town.after.tolist(), strict=True))) == town.states


def test_probabilities_add_up_and_no_state_is_without_exit(town):
    np.testing.assert_allclose(np.asarray(town.links.sum(axis=1)).ravel(), 1.0, atol=1e-12)
    assert (np.diff(town.links.indptr) > 0).all() and (town.links.data > 0.0).all()
    links, backward = town.links, town.links.T.tocsr()
    for matrix in (links, backward):
        reached, ends = {town.rest}, [town.rest]
        while ends:
            x = ends.pop()
            new = set(matrix.indices[matrix.indptr[x] : matrix.indptr[x + 1]].tolist()) - reached
            reached |= new
            ends.extend(new)
        assert len(reached) == town.states


def test_drives_begin_and_end_at_rest_and_seeds_repeat_them(town):
    drives = [town.draw(300, np.random.default_rng(seed)) for seed in (1, 2, 1)]
    assert (drives[0] == drives[2]).all() and not np.array_equal(drives[0], drives[1])
    for drive in drives:
        cycle = town.cycle(drive, "drawn")
        assert cycle.speed[0] == cycle.speed[1] == cycle.speed[-1] == 0.0
        assert drive.size >= 300 and cycle.dt.size == drive.size
        stays = [town.links[a, b] > 0.0 for a, b in zip(drive[:-1], drive[1:], strict=True)]
        assert all(stays)


def test_drawn_cycles_are_numbered_and_repeatable(town):
    one, other = (town.draw_cycles(2, 100, seed=3) for _ in range(2))
    assert [cycle.name for cycle in one] == ["drawn 3-1", "drawn 3-2"]
    assert [c.sha256 for c in one] == [c.sha256 for c in other]
    assert one[0].sha256 != one[1].sha256


def test_statistics_by_hand():
    """0, 0, 2, 2, 0 m/s: 6 m in 4 s, one of four at rest, one stop; 2, 0, -2 m/s2."""
    found = drive_statistics([np.array([0.0, 0.0, 2.0, 2.0, 0.0])])
    assert (found.seconds, found.mean_speed, found.rest_share) == (4.0, 1.0, 0.25)
    assert found.acceleration == pytest.approx(np.sqrt(8.0 / 3.0))
    assert found.stops_per_km == pytest.approx(250.0)


def test_drawn_drives_are_like_the_training(town):
    """Mean speed, share at rest, acceleration and stops within 25 %: 200 drives of 10 minutes."""
    random = np.random.default_rng(3)
    drawn = [town.cycle(town.draw(600, random), "d").speed for _ in range(200)]
    known = [second_by_second(read_cycle(name)) for name in ("artemis_urban", "ece15")]
    one, other = drive_statistics(known), drive_statistics(drawn)
    for name in ("mean_speed", "rest_share", "acceleration", "stops_per_km"):
        assert getattr(other, name) == pytest.approx(getattr(one, name), rel=0.25), name


def test_with_a_memory_states_hold_the_trend():
    known = [read_cycle("artemis_urban")]
    chain = drive_chain(known, memory="jerk")
    assert set(chain.memory.tolist()) == {0, 1, 2}
    assert chain.states > drive_chain(known).states
    rate = chain.spacing * (chain.after - chain.before)
    source = np.repeat(np.arange(chain.states), np.diff(chain.links.indptr))
    target = chain.links.indices
    rising = (chain.memory[target] == 2) & (chain.before[target] > 0) & (chain.after[target] > 0)
    assert (rate[target] > rate[source])[rising & (chain.after[source] > 0)].all()


def test_leaving_states_out_keeps_the_rest_whole(town):
    slow = town.within(town.speed < 8.0)
    assert slow.speed.max() < 8.0 and slow.states < town.states
    np.testing.assert_allclose(np.asarray(slow.links.sum(axis=1)).ravel(), 1.0, atol=1e-12)
    with pytest.raises(InputError, match="no training drive stands still"):
        town.within(town.speed > 0.0)


@pytest.mark.parametrize(
    ("training", "options", "message"),
    [
        ([], {}, "give one or more training drives"),
        ([repeated([0.0, 1.0])], {"memory": "mood"}, "memory 'mood' is unknown"),
        ([repeated([0.0, 1.0])], {"spacing": 0.3}, "spacing of 0.3 m/s is not"),
        ([repeated([9.0, 9.5, 9.0])], {}, "no training drive stands still"),
    ],
)
def test_what_gives_no_model_is_refused(training, options, message):
    with pytest.raises(InputError, match=message):
        drive_chain(training, **options)


def test_a_model_that_seldom_rests_is_told(town):
    with pytest.raises(InputError, match="does not come to rest within"):
        never = dataclasses.replace(town, links=town.links.copy())
        first, last = never.links.indptr[town.rest], never.links.indptr[town.rest + 1]
        moving = town.after[never.links.indices[first:last]] > 0
        never.links.data[first:last] = moving / moving.sum()
        never.draw(10, _Unlucky())


class _Unlucky:
    """A chance that always takes the last link: the hardest acceleration, then the mildest."""

    def random(self, size):
        return np.full(size, 0.5)
