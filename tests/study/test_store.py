"""Whatever happens to a store's files, no figure that is wrong counts as done."""

import os
import random
import shutil
import subprocess
import sys
import textwrap
import threading
import time

import numpy as np
import pytest
from case_counts import cases
from study_makers import FEW, do_here, write_study

from hybridopt.base.errors import FailedError, InputError
from hybridopt.base.warning import InputWarning
from hybridopt.study import store as store_module
from hybridopt.study.plan import read_plan
from hybridopt.study.results import study_status
from hybridopt.study.run import run_study, waiting_tasks
from hybridopt.study.store import StudyStore
from hybridopt.study.tasks import TaskOutcome
from hybridopt.study.values import DONE, VALUES, WAITING, value_row

KINDS = """
[parameters]
"battery.capacity_Ah" = [4, 6.4]
"vehicle.mass_kg" = [1700, 90000]
"""
SEED = 24


@pytest.fixture(scope="module")
def done(tmp_path_factory):
    """A study with pieces of every kind: solved with traces, and failed."""
    path = write_study(tmp_path_factory.mktemp("done"), KINDS, top='traces = ["soc"]\n')
    do_here(path)
    return path


@pytest.fixture
def path(done, tmp_path):
    shutil.copytree(done.parent, tmp_path / "copy")
    return tmp_path / "copy" / done.name


def status_of(path):
    folder = path.with_suffix(".results")
    return study_status(read_plan(path), StudyStore.opened(folder), folder)


def pieces(path):
    return sorted(path.with_suffix(".results").glob("pieces/*"))


def flips(content, count):
    """Yield a content with one bit turned over, at `count` places."""
    for place in random.Random(SEED).sample(range(8 * len(content)), min(count, 8 * len(content))):
        changed = bytearray(content)
        changed[place // 8] ^= 1 << place % 8
        yield bytes(changed)


def assert_no_flip_is_accepted(path, count):
    store = StudyStore(path.with_suffix(".results"))
    assert {file.name for file in store.folder.iterdir()} == {"pieces"}, "a kind without a test"
    for piece in pieces(path):
        whole, digest = piece.read_bytes(), bytes.fromhex(piece.stem)
        assert store.has(digest)
        for changed in flips(whole, count):
            piece.write_bytes(changed)
            assert not store.has(digest)
        piece.write_bytes(whole)


def test_no_flip_of_a_bit_is_accepted(path):
    assert_no_flip_is_accepted(path, 100)


@pytest.mark.long
def test_no_flip_of_any_bit_is_accepted(path):
    """A tenth of them in CI."""
    bits = max(8 * piece.stat().st_size for piece in pieces(path))
    assert_no_flip_is_accepted(path, cases(bits))


DAMAGES = {
    "one bit": lambda piece, others: piece.write_bytes(next(flips(piece.read_bytes(), 1))),
    "zeros": lambda piece, others: piece.write_bytes(bytes(piece.stat().st_size)),
    "nothing in it": lambda piece, others: piece.write_bytes(b""),
    "cut short": lambda piece, others: piece.write_bytes(piece.read_bytes()[:-9]),
    "more behind it": lambda piece, others: piece.write_bytes(piece.read_bytes() + b"\0"),
    "that of another task": lambda piece, others: shutil.copy(others[0], piece),
}


@pytest.mark.long
@pytest.mark.parametrize("damage", DAMAGES)
def test_a_damaged_piece_is_said_and_done_again(path, damage):
    before, (victim, *others) = status_of(path), pieces(path)
    DAMAGES[damage](victim, others)
    with pytest.warns(InputWarning, match=f"1 damaged, the first {victim.name}"):
        found = status_of(path)
    assert (found.waiting, found.done + found.failed) == (1, 3) and found.others == 0
    with pytest.warns(InputWarning, match="damaged"):
        assert len(do_here(path)) == 1
    after = status_of(path)
    assert (after.done, after.failed, after.digest) == (2, 2, before.digest)


def test_lost_pieces_are_done_again_and_the_others_stay(path):
    before, (lost, *others) = status_of(path), pieces(path)
    lost.unlink()
    kept = [piece.read_bytes() for piece in others]
    assert status_of(path).waiting == 1
    assert len(do_here(path)) == 1
    assert [piece.read_bytes() for piece in others] == kept
    assert status_of(path).digest == before.digest


def test_all_pieces_lost_are_done_again(path):
    before = status_of(path)
    shutil.rmtree(path.with_suffix(".results") / "pieces")
    assert status_of(path).waiting == 4
    assert len(do_here(path)) == 4 and status_of(path).digest == before.digest


def test_a_smaller_study_takes_nothing_away(path):
    before, text = status_of(path), path.read_text()
    path.write_text(text.replace("[4, 6.4]", "[6.4]"))
    assert do_here(path) == [] and status_of(path).others == 2
    path.write_text(text)
    assert do_here(path) == [] and status_of(path).digest == before.digest


def test_a_piece_that_does_not_say_done_is_not_done(path):
    """A row of zeros, sealed as well as can be: 0 says neither done nor failed."""
    store = StudyStore(path.with_suffix(".results"))
    digest = bytes.fromhex(pieces(path)[0].stem)
    for row in (np.zeros(len(VALUES)), np.full(len(VALUES), np.nan)):
        store.write(TaskOutcome(digest, row, "", {}))
        assert not store.has(digest)
    assert 0 not in (DONE, WAITING)


def test_numbers_come_back_to_the_last_bit(tmp_path):
    store = StudyStore.create(tmp_path / "s.results")
    random_bits = np.random.default_rng(SEED).integers(0, 2**63, 2000).view(np.float64)
    values = np.concatenate([random_bits, [0.0, -0.0, np.inf, -np.inf, 5e-324, np.nan]])
    row = value_row({"status": DONE, "fuel_g": np.nextafter(0.1, 1.0), "cost_g": -0.0})
    with store.locked():
        store.write(TaskOutcome(b"a" * 32, row, "", {"soc": values}))
    (outcome,) = store.outcomes([b"a" * 32])
    np.testing.assert_array_equal(outcome.row, row)
    np.testing.assert_array_equal(outcome.traces["soc"], values)
    assert np.signbit(outcome.traces["soc"][2001]) and np.signbit(
        outcome.row[list(VALUES).index("cost_g")]
    )


# --- folders of something else ---


def test_a_store_of_an_earlier_version_is_refused(tmp_path):
    folder = tmp_path / "s.zarr"
    (folder / "figures").mkdir(parents=True)
    (folder / "zarr.json").write_text("{}")
    for take in (StudyStore.opened, StudyStore.create):
        with pytest.raises(InputError, match="an earlier version of this package, .* --store"):
            take(folder)


def test_an_earlier_store_beside_the_file_is_said(tmp_path):
    from hybridopt.study.front import store_folder

    (tmp_path / "small.zarr").mkdir()
    with pytest.warns(InputWarning, match="small.zarr: holds results of an earlier version"):
        assert store_folder(tmp_path / "small.toml", None) == tmp_path / "small.results"


def test_a_file_in_its_place_is_refused(tmp_path):
    (tmp_path / "s.results").write_text("mine")
    with pytest.raises(InputError, match="is no folder"):
        StudyStore.create(tmp_path / "s.results")


# --- two runs at once, and kills ---


class Slow:
    """A stand-in for an executor: writes outcomes slowly."""

    def __init__(self, store):
        self.store = store

    def run(self, tasks, count, report):
        for task in tasks:
            row = value_row({"status": DONE, "fuel_g": task.digest[0]})
            self.store.write(TaskOutcome(task.digest, row, "", {}))
            report(1, 0)


def at_once(plan, folder, barrier, ends):
    barrier.wait()
    try:
        store = StudyStore.create(folder)
        with store.locked():
            run_study(plan, waiting_tasks(plan, store), Slow(store), lambda _: None)
        ends.append("done")
    except FailedError as error:
        ends.append(str(error))


def assert_pairs_exclude_each_other(tmp_path, monkeypatch, count):
    plan, chance = read_plan(write_study(tmp_path, FEW)), random.Random(SEED)

    def slow(call):
        def later(*args, **named):
            time.sleep(chance.random() * 0.01)
            return call(*args, **named)

        return later

    for name in ("mkdir", "open", "replace", "fsync", "scandir"):
        monkeypatch.setattr(os, name, slow(getattr(os, name)))
    waited = 0
    for i in range(count):
        folder, barrier, ends = tmp_path / f"{i}.results", threading.Barrier(2), []
        pair = [
            threading.Thread(target=at_once, args=(plan, folder, barrier, ends)) for _ in range(2)
        ]
        for thread in pair:
            thread.start()
        for thread in pair:
            thread.join()
        assert "done" in ends and len(ends) == 2
        others = [end for end in ends if end != "done"]
        assert all("another run is writing there" in end for end in others), ends
        waited += len(others)
        status = study_status(plan, StudyStore(folder), folder)
        assert (status.done, status.waiting) == (2, 0)
    assert waited, "no two runs met"


def test_two_runs_at_once_on_a_fresh_store(tmp_path, monkeypatch):
    assert_pairs_exclude_each_other(tmp_path, monkeypatch, 10)


@pytest.mark.long
def test_two_runs_at_once_a_hundred_times(tmp_path, monkeypatch):
    assert_pairs_exclude_each_other(tmp_path, monkeypatch, cases(100))


WRITER = """
    import sys
    from pathlib import Path
    import numpy as np
    from hybridopt.study.store import StudyStore
    from hybridopt.study.tasks import TaskOutcome
    from hybridopt.study.values import DONE, value_row
    store = StudyStore.create(Path(sys.argv[1]))
    print("ready", flush=True)
    with store.locked():
        while True:
            for i in range(20):
                row = value_row({"status": DONE, "fuel_g": i})
                traces = {"soc": np.full(2000, float(i))}
                store.write(TaskOutcome(bytes([i]) * 32, row, "", traces))
"""


def assert_kills_leave_whole_pieces(tmp_path, count):
    chance, folder = random.Random(SEED), tmp_path / "s.results"
    for _ in range(count):
        command = [sys.executable, "-c", textwrap.dedent(WRITER), str(folder)]
        with subprocess.Popen(command, stdout=subprocess.PIPE) as job:
            job.stdout.readline()
            time.sleep(chance.random() * 0.2)
            job.kill()
        store = StudyStore(folder)
        found = list(store.outcomes(store.names()))  # a warning of damage would be an error
        assert {o.digest for o in found} == store.names()
        for outcome in found:
            number = outcome.digest[0]
            assert outcome.row[list(VALUES).index("fuel_g")] == number
            assert (outcome.traces["soc"] == number).all()
    with store.locked():
        assert {file.suffix for file in store.pieces.iterdir()} == {".piece"}, "leftovers"
    assert found, "the kills came too early to show anything"


@pytest.mark.long
def test_kills_at_random_leave_whole_pieces(tmp_path):
    assert_kills_leave_whole_pieces(tmp_path, 3)


@pytest.mark.long
def test_many_kills_leave_whole_pieces(tmp_path):
    assert_kills_leave_whole_pieces(tmp_path, cases(25))


def test_a_piece_is_flushed_before_it_has_its_name(tmp_path, monkeypatch):
    calls = []
    for name in ("fsync", "replace"):
        usual = getattr(os, name)
        monkeypatch.setattr(
            os, name, lambda *args, _n=name, _u=usual: (calls.append(_n), _u(*args))[1]
        )
    store = StudyStore.create(tmp_path / "s.results")
    with store.locked():
        store.write(TaskOutcome.failure(b"a" * 32, "why"))
    assert calls[:3] == ["fsync", "replace", "fsync"], "file, name, folder"


def test_a_piece_of_enormous_size_is_not_unpacked(path, monkeypatch):
    monkeypatch.setattr(store_module, "MAX_BYTES", 100)
    with pytest.warns(InputWarning, match="damaged"):
        assert status_of(path).waiting == 4
