"""The same on a device, where there is one: variants of the demo vehicle against the CPU."""

from pathlib import Path

import numpy as np
import pytest

from hybridopt import Settings, find_optimum, read_cycle, read_driveline, solve_batch
from hybridopt.base.device_kernels import device_kernel
from hybridopt.base.kernel_cache import _Seal
from hybridopt.optimum import batch

if not batch.devices():
    pytest.skip("there is no device with a driver and numba-cuda", allow_module_level=True)

LENGTHS = (200, 320)  # steps


@pytest.mark.filterwarnings("ignore::Warning")  # of numba-cuda, on small grids
def test_a_device_finds_what_the_cpu_finds():
    driveline, random = read_driveline("full"), np.random.default_rng(5)
    cycles = [read_cycle("wltc_class3b").cut(0, length) for length in LENGTHS]
    cases = [
        (
            cycles[i % 2],
            driveline,
            Settings(start_cost=float(random.uniform(0.0, 1.0)), soc_points=301 + 100 * (i % 3)),
        )
        for i in range(6)
    ]
    for item, case in zip(solve_batch(cases), cases, strict=True):
        assert item.answer.run is not None, item.answer.reason
        best = find_optimum(*case, bound=True, keep_value=False)
        assert item.cost == pytest.approx(best.solution.cost, rel=1e-6)
        assert item.answer.bound <= best.solution.cost
        assert item.optimum().solution.cost == pytest.approx(item.cost, rel=1e-12)


def _doubled(values):
    values[0] *= 2.0


def _kept():
    """Return what a new kernel makes of 3, and how often its code came from the cache."""
    made = device_kernel()(_doubled)
    values = np.array([3.0])
    made[1, 1](values)
    return values[0], sum(made.stats.cache_hits.values()), made._cache


@pytest.mark.filterwarnings("ignore::Warning")  # of numba-cuda, on small grids
@pytest.mark.parametrize("damage", [lambda b: b"", lambda b: b[:-40], lambda b: b[:-1] + b"?"])
@pytest.mark.parametrize("suffix", [".nbi", ".nbc"])
def test_damaged_code_of_a_kernel_is_made_anew(damage, suffix):
    cache = _kept()[2]
    assert _kept()[:2] == (6.0, 1)
    files = list(Path(cache.cache_path).glob(f"{cache._impl.filename_base}*{suffix}"))
    assert files
    for path in files:
        path.write_bytes(damage(path.read_bytes()))
    assert _kept()[:2] == (6.0, 0), "compiled again"
    assert _kept()[:2] == (6.0, 1), "and kept"


@pytest.mark.filterwarnings("ignore::Warning")  # of numba-cuda, on small grids
def test_a_full_disk_stops_no_kernel(monkeypatch):
    """The system refuses every file, as a full disk does."""

    def refuse(*_):
        raise OSError(28, "No space left on device")

    cache = _kept()[2]
    for path in Path(cache.cache_path).glob(f"{cache._impl.filename_base}*"):
        path.unlink()
    monkeypatch.setattr(_Seal, "_dump", refuse)
    with pytest.warns(UserWarning, match="compiled code could not be kept"):
        assert _kept()[:2] == (6.0, 0)
