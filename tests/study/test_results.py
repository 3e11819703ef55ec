"""What is stored of a study, how it grows, and what fails on the way."""

import numpy as np
import pytest
import xarray as xr
from study_makers import FEW, do_here, write_study

from hybridopt import Settings, read_cycle, read_driveline, solve_cycle
from hybridopt.base.errors import FailedError, InputError
from hybridopt.base.nomenclature import EQUAL_TOTALS
from hybridopt.evaluation.compare import compare
from hybridopt.evaluation.sources import read_controller
from hybridopt.study.plan import read_plan
from hybridopt.study.results import read_results, results_digest, study_status
from hybridopt.study.run import forget_failures, run_study, waiting_tasks
from hybridopt.study.store import StudyStore
from hybridopt.study.tasks import SerialExecutor

SETTINGS = Settings(soc_points=201, splits=15)


def results_of(path):
    store = path.with_suffix(".results")
    return read_results(read_plan(path), StudyStore(store) if store.exists() else None)


def status_of(path):
    folder = path.with_suffix(".results")
    return study_status(read_plan(path), StudyStore(folder), folder)


def test_values_are_those_of_a_solve(tmp_path):
    path = write_study(tmp_path, FEW, top='bound = true\ntraces = ["soc", "gear"]\n')
    do_here(path)
    results = results_of(path)
    task = results.isel(task=int(np.flatnonzero(results["battery.capacity_Ah"] == 6.4)[0]))
    alone = solve_cycle(read_cycle("ece15"), read_driveline("full"), SETTINGS)
    attrs = alone.dataset.attrs
    for name in ("fuel_g", "cost_g", "bound_g", "gap_percent", "starts", "soc_end", "share_regen"):
        assert float(task[name]) == attrs[name], name
    assert float(task["fuel_equal_l_per_100km"]) == attrs["fuel_l_per_100km"]
    for name in ("soc", "gear"):
        np.testing.assert_array_equal(task[f"trace_{name}"], alone.dataset[name])


@pytest.mark.long
def test_controllers_score_as_in_a_comparison(tmp_path):
    """Tuned by the same seed, and code of a file as well."""
    (tmp_path / "own.py").write_text(
        "def rule(seen):\n    return seen.wheel_power > 5e3, 1 + int(seen.speed > 6), None\n"
    )
    one = '[parameters]\n"battery.capacity_Ah" = [6.4]\n[tuning]\nevaluations = 5\nseed = 3\n'
    path = write_study(tmp_path, one, top='runs = ["optimum", "equivalence", "own.py:rule"]\n')
    assert not any(outcome.reason for outcome in do_here(path))
    results = results_of(path)
    sources = {str(run): run for run in results["run"].values[1:]}
    controllers = {name: read_controller(source) for name, source in sources.items()}
    comparison = compare(
        [read_cycle("ece15")], read_driveline("full"), controllers, SETTINGS, "each", 5, 3
    )
    for i, score in enumerate(comparison.scores):
        task = results.isel(task=i)
        shared = ("fuel_g", "cost_g", "soc_end", "starts", "shifts", "clipped_steps")
        for name in (*shared, *((*EQUAL_TOTALS, "gap_percent", "bound_g") if i else ())):
            assert float(task[name]) == pytest.approx(getattr(score, name), rel=1e-12), name


def test_failures_are_recorded_and_the_rest_goes_on(tmp_path):
    path = write_study(
        tmp_path,
        """
[parameters]
"vehicle.mass_kg" = [1700, 90000]
"battery.soc_min_percent" = [40, 70]
""",
    )
    do_here(path)
    results = results_of(path)
    assert results["status"].values.tolist() == [1, 2, 2, 2]
    reasons = results["reason"].values.tolist()
    assert reasons[0] == "" and "soc_start_percent: 60 lies outside" in reasons[1]
    assert "cannot be driven" in reasons[2] and len(reasons[2].encode()) <= 600
    assert np.isnan(results["fuel_g"].values[1:]).all()
    status = status_of(path)
    assert (status.done, status.failed, status.waiting) == (1, 3, 0)
    assert status.reasons[0][1] == 2
    plan, store = read_plan(path), StudyStore(path.with_suffix(".results"))
    assert waiting_tasks(plan, store) == []
    forget_failures(plan, store)
    assert len(waiting_tasks(plan, store)) == 3
    assert sum(outcome.reason != "" for outcome in do_here(path)) == 3


def test_a_fault_of_the_program_fails_its_task_only(tmp_path, monkeypatch):
    path = write_study(tmp_path, FEW)
    from hybridopt.study import tasks

    usual = tasks.find_optimum

    def broken(cycle, driveline, *args, **more):
        if driveline.battery.capacity < 5 * 3600:
            raise ZeroDivisionError("by\nnothing")
        return usual(cycle, driveline, *args, **more)

    monkeypatch.setattr(tasks, "find_optimum", broken)
    do_here(path)
    assert results_of(path)["reason"].values.tolist() == [
        "unexpected ZeroDivisionError: by nothing",
        "",
    ]


def test_a_run_reports_how_far_it_is(tmp_path):
    path = write_study(tmp_path, '[parameters]\n"vehicle.mass_kg" = [1600, 1700, 90000]\n')
    plan, shown = read_plan(path), []
    store = StudyStore.create(tmp_path / "small.results")
    with store.locked():
        run_study(plan, waiting_tasks(plan, store), SerialExecutor(store.write), shown.append)
    assert [progress.done for progress in shown] == [1, 2, 3]
    assert [progress.failed for progress in shown] == [0, 0, 1]
    assert all(progress.total == 3 and progress.rate > 0.0 for progress in shown)
    assert shown[0].left == pytest.approx(2.0 / shown[0].rate) and shown[-1].left == 0.0


@pytest.mark.long
def test_growing_does_the_new_tasks_only(tmp_path):
    path = write_study(tmp_path, FEW)
    assert len(do_here(path)) == 2
    before = results_of(path)
    write_study(
        tmp_path, '[parameters]\n"battery.capacity_Ah" = [8, 4, 6.4]\n"scale.motor" = [1, 0.9]\n'
    )
    assert results_of(path)["status"].values.tolist() == [-1, -1, 1, -1, 1, -1]
    assert len(do_here(path)) == 4 and do_here(path) == []
    kept = results_of(path).isel(task=[2, 4])
    for name in ("fuel_g", "seconds", "soc_end"):
        np.testing.assert_array_equal(kept[name], before[name])
    write_study(tmp_path, FEW.replace("6.4", "7"))
    assert len(do_here(path)) == 1
    assert status_of(path).others == 5 and status_of(path).done == 2


@pytest.mark.long
def test_a_longer_cycle_has_room_for_its_traces(tmp_path):
    path = write_study(tmp_path, FEW, top='traces = ["soc"]\n')
    do_here(path)
    short = results_of(path)["trace_soc"]
    text = path.read_text().replace('["ece15"]', '["ece15", "eudc"]')
    path.write_text(text)
    assert len(do_here(path)) == 2
    both = results_of(path)
    assert both.sizes["step"] == read_cycle("eudc").dt.size
    ece = both["trace_soc"].isel(task=[0, 2]).values
    np.testing.assert_array_equal(ece[:, :195], short.values)
    assert np.isnan(ece[:, 195:]).all()


@pytest.mark.long
def test_other_readers_can_have_the_results(tmp_path):
    """As a file of their own, opened with xarray alone and with warnings as errors."""
    path = write_study(tmp_path, FEW, top='traces = ["soc"]\n')
    do_here(path)
    results_of(path).to_netcdf(tmp_path / "results.nc", engine="h5netcdf")
    with xr.open_dataset(tmp_path / "results.nc", engine="h5netcdf") as file:
        data = file.load()
    assert data["battery.capacity_Ah"].values.tolist() == [4, 6.4]
    assert data["cycle"].values.tolist() == ["ece15"] * 2
    xr.testing.assert_equal(data["trace_soc"], results_of(path)["trace_soc"])
    assert "not a released calibration" in data.attrs["caution"]


def test_digest_tells_results_apart(tmp_path):
    path = write_study(tmp_path, FEW)
    do_here(path)
    results = results_of(path)
    turned = results.isel(task=[1, 0])
    assert results_digest(results) == results_digest(turned)
    slower = results.assign(seconds=results["seconds"] + 1.0)
    assert results_digest(results) == results_digest(slower)
    changed = results.copy(deep=True)
    changed["fuel_g"][0] = np.nextafter(changed["fuel_g"][0], np.inf)
    assert results_digest(results) != results_digest(changed)


# the store


def test_a_store_is_no_place_for_two_runs(tmp_path):
    store = StudyStore.create(tmp_path / "s.results")
    with store.locked(), pytest.raises(FailedError, match="another run"), store.locked():
        pass
    with store.locked():
        pass


def test_a_folder_of_something_else_stays(tmp_path):
    folder = tmp_path / "s.results"
    folder.mkdir()
    (folder / "mine.txt").write_text("mine")
    with pytest.raises(InputError, match="holds no results of a study"):
        StudyStore.create(folder)
    assert [p.name for p in folder.iterdir()] == ["mine.txt"]
