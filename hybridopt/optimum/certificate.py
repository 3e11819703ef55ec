"""Certificates: a solved problem with its schedule and multipliers, so that others can check it."""

import dataclasses
import hashlib
import json
import zipfile
from pathlib import Path
from typing import Any

import numpy as np

from ..base.errors import FailedError, InputError
from ..dp.bound import Bound
from ..dp.bound_kernels import EXACT
from ..dp.boxes import BOXES, NARROW_BOXES, make_boxes
from ..dp.dual import Dual
from ..dp.heat import Heat, LevelProof, limited_heat
from ..dp.heat_levels import LEVEL_BOXES
from ..dp.hulls import GATED
from ..dp.start_branches import Branches, priced_starts
from ..files.reading import open_ordinary
from ..problem.budgets import Budget, all_lengths
from ..problem.fine_lists import FineLists
from ..problem.memory import part_ranges
from ..problem.problem import Problem
from .optimum import Optimum
from .proof import NEAR, Certificate, Proved, prove

RATES = "rates of engine torque"
CONTENT, LARGEST = "hybridopt certificate 4", 4e9  # bytes of all arrays
LEVELS = 4000  # of the budget that paths keep
MOST_LEVELS = 20_000_000  # of all states and gears
MOST_PIECES = 100  # of a gap between two splits
HUGE = 1e30  # beyond all numbers of a problem, so that no product is beyond all measure
SAME = 1e-9  # how far arrays of the same problem may differ on another machine
INTEGERS = (
    "count first source target move_engine move_gear begin gear engine split states boxes fine "
    "room starts levels"
)
MAY_BE_INFINITE = "cost", "move_cost", "shift"
CLAIMS = (
    "soc_end boxes fine multipliers price room levels start_price starts gear engine split share"
).split()
"""All other arrays state the problem."""
SHAPES = {
    "dt": "t",
    "count": "tgc",
    "first": "tgc",
    "power": "p",
    "cost": "p",
    "battery_soc": "n",
    "voltage": "n",
    "discharge": "n",
    "charge": "n",
    "power_max": "n",
    "power_min": "n",
    "capacity": "",
    "efficiency": "",
    "window": "2",
    "soc_start": "",
    "soc_end": "",
    "source": "m",
    "target": "m",
    "move_engine": "m",
    "move_gear": "m",
    "opens": "m",
    "move_cost": "tm",
    "shift": "tcgg",
    "states": "",
    "begin": "2",
    "kept": "bt",
    "limit": "b",
    "rise": "bp",
    "boxes": "",
    "fine": "tgc",
    "multipliers": "kT",
    "price": "bt",
    "room": "",
    "levels": "",
    "start_price": "k",
    "starts": "",
    "gear": "t",
    "engine": "t",
    "split": "t",
    "share": "t",
}
"""Axes: steps t (T = t + 1), gears g, classes c, points p, nodes n, moves m, limits b, bounds k."""


def make_certificate(best: Optimum) -> Certificate:
    """Return the arrays of a certificate of a solve with a bound, SI; and `about`, its words.

    Raises
    ------
    FailedError
        The proof does not go through, as where the schedule dips below the SoC window.
    InputError
        The oil's temperature is a state, which certificates do not know.
    """
    if best.settings.warms:
        raise InputError(
            "--certificate: it cannot hold a proof with the oil's temperature as a state; leave it "
            "or ambient_temperature out"
        )
    assert best.bound is not None
    problem, bound, heat = best.bound.problem, best.bound, best.bound.heat
    if heat is None and best.settings.thermal_limits:  # kept without being asked for
        splits = best.settings.splits
        heat = limited_heat(best.driveline, best.demand, problem.points, splits)
    heat = bound.level_proof.heat if bound.level_proof else heat
    stated = problem_arrays(problem, heat) | _schedule(best, heat) | {"soc_end": bound.end}
    # branches are proved in a corridor, without which the plain multipliers may prove more
    bounds = [dataclasses.replace(bound, branches=None), *([bound] if bound.branches else [])]
    levels = bound.level_proof
    claims = [_levels(levels)] if levels else [_prices(of, heat) for of in bounds]
    made, proved = max((_proved(stated | of) for of in claims), key=lambda pair: pair[1].bound)
    about = {
        "content": CONTENT,
        "cycle": best.cycle.name,
        "cycle_sha256": best.cycle.sha256,
        "driveline": best.driveline.name,
        "problem_sha256": problem_digest(made),
        "bound_g": proved.bound,
        "rounding_g": proved.slack,
        "cost_g": proved.cost,
        "pieces": heat.choices.pieces if heat and isinstance(heat.choices, FineLists) else 1,
    }
    rates = {"leaves_out": RATES} if best.settings.limits_rates else {}
    return made | {"about": about | rates}


def _prices(bound: Bound, heat: Heat | None) -> Certificate:
    """Return all multipliers, which budget paths keep, and which lists count box by box."""
    branches = bound.branches or Branches(bound.plain[None], np.zeros(1), 0)
    dual = Dual(bound.problem, make_boxes(bound.problem, BOXES, bound.end), bound.heat)
    shape = bound.problem.points.steps, bound.problem.points.gears, dual.classes
    fine = np.zeros((*shape[:2], GATED), dtype=np.int64)
    for each, multipliers in zip(branches.price, branches.multipliers, strict=True):
        branch = priced_starts(dual, each)
        branch.look(multipliers[1:])
        exact = branch.jobs.reshape(shape) == EXACT
        fine |= exact[..., :GATED]
        fine[..., 0] |= exact[..., GATED:].any(axis=-1)  # stops that are open from some SoC on
    kept = np.array([budget.kept for budget in limits_of(heat)]).reshape(-1, shape[0])
    price = np.zeros(kept.shape)
    if bound.heat:
        price[: len(bound.heat.prices)] = bound.heat.prices
    room = len(kept) - 1 if bound.heat and bound.heat.rooms else -1
    starts = {"start_price": branches.price, "starts": branches.most}
    return starts | {
        "multipliers": branches.multipliers,
        "fine": fine,
        "price": price,
        "room": room,
        "levels": LEVELS if room >= 0 else 1,
        "boxes": NARROW_BOXES,
    }


def _levels(proof: LevelProof) -> Certificate:
    """Return likewise for a bound over levels of a budget, all lists box by box."""
    heat = proof.heat
    price = np.zeros((len(limits_of(heat)), heat.choices.steps))
    price[: len(heat.prices)] = heat.prices
    return {
        "multipliers": proof.multipliers[None],
        "fine": np.ones(all_lengths(heat.choices).shape),
        "price": price,
        "room": proof.budget,
        "levels": proof.levels,
        "boxes": LEVEL_BOXES,
        "start_price": np.zeros(1),
        "starts": 0,
    }


def limits_of(heat: Heat | None) -> list[Budget]:
    """Return all budgets; one that paths keep is the last."""
    if heat is None:
        return []
    return [*heat.budgets, heat.rooms.budget] if heat.rooms else list(heat.budgets)


def _schedule(best: Optimum, heat: Heat | None) -> Certificate:
    """Return the schedule, its motor torques as splits of the lists that the problem states."""
    assert best.bound is not None
    run, stated = best.solution.run, best.bound.problem.points
    split, share = run.split, run.share
    if heat or best.points is not stated:
        lists = heat.choices if heat else FineLists(stated)
        assert isinstance(lists, FineLists)
        split, share = lists.places(best.solution.schedule)
    return {"gear": run.gear, "engine": run.engine_class, "split": split, "share": share}


def problem_arrays(problem: Problem, heat: Heat | None = None) -> Certificate:
    """Return the arrays that state a problem: choices, battery, window, moves, costs, limits."""
    graph, cell, limits = problem.events.graph, problem.cell, limits_of(heat)
    points = heat.choices if heat else problem.points
    parts = [points.costs(*part).compact() for part in part_ranges(points.steps)]
    count = np.concatenate([part.length for part in parts])
    low, high, start, _ = problem.settings.socs
    rises = [budget.all_rises(points.steps) for budget in limits]
    battery = {name: getattr(cell, name) for name in cell._fields if name != "soc"}
    return battery | {
        "dt": points.dt,
        "count": count,
        "first": np.cumsum(count).reshape(count.shape) - count,
        "power": np.concatenate([part.power for part in parts]),
        "cost": np.concatenate([part.cost for part in parts]),
        "battery_soc": cell.soc,
        "window": np.array([low, high]),
        "soc_start": start,
        "source": graph.source,
        "target": graph.target,
        "move_engine": graph.engine,
        "move_gear": graph.gear,
        "opens": problem.events.soc_min,
        "move_cost": problem.events.cost,
        "shift": problem.shift,
        "states": graph.states,
        "begin": np.array([problem.state, problem.gear]),
        "kept": np.array([budget.kept for budget in limits]).reshape(-1, points.steps),
        "limit": np.array([budget.limit for budget in limits]),
        "rise": np.array(rises).reshape(-1, int(count.sum())),
    }


def problem_differs(found: Certificate, problem: Problem, heat: Heat | None = None) -> str:
    """Return the name of the first array in which a certificate's problem differs from another."""
    for name, values in problem_arrays(problem, heat).items():
        there, here = found[name], np.asarray(values, _kind(name))
        if there.shape != here.shape or not np.allclose(there, here, rtol=SAME, atol=SAME):
            return name
    return ""


def _kind(name: str) -> str:
    return "<i8" if name in INTEGERS.split() else "<f8"


def problem_digest(arrays: Certificate) -> str:
    """Return the SHA-256 of the arrays that state the problem."""
    digest = hashlib.sha256()
    for name in SHAPES:
        if name not in CLAIMS:
            array = np.ascontiguousarray(arrays[name], _kind(name))
            digest.update(f"{name}{array.shape}".encode() + array.tobytes())
    return digest.hexdigest()


def _proved(made: Certificate) -> tuple[Certificate, Proved]:
    arrays = {name: np.asarray(made[name], _kind(name)) for name in SHAPES}
    try:
        return arrays, prove(arrays)
    except ValueError as error:
        raise FailedError(f"no certificate can be made: {error}") from None


def write_arrays(path: Path, certificate: Certificate) -> None:
    """Write a certificate, a NumPy archive (.npz) of plain arrays and one text."""
    about = np.frombuffer(json.dumps(certificate["about"]).encode(), np.uint8)
    arrays = {name: certificate[name] for name in SHAPES}
    with path.open("wb") as file:
        np.savez_compressed(file, about=about, **arrays)


def read_certificate(path: Path) -> Certificate:
    """Read a certificate and check its form.

    Raises
    ------
    InputError
        It is no certificate, or damaged.
    """
    try:
        with open_ordinary(path, int(LARGEST)) as file, zipfile.ZipFile(file) as archive:
            names = {name.removesuffix(".npy") for name in archive.namelist()}
            if sum(info.file_size for info in archive.infolist()) > LARGEST:
                raise ValueError("it is too large")
            if names != {*SHAPES, "about"}:
                raise ValueError("arrays are missing or unknown")
            for info in archive.infolist():
                _check_size(archive, info)
            file.seek(0)
            loaded = np.load(file, allow_pickle=False)
            found: Certificate = {name: loaded[name] for name in SHAPES}
            about = json.loads(loaded["about"].astype(np.uint8).tobytes().decode())
        _check_form(found, about)
    except InputError:
        raise
    except (OSError, ValueError, EOFError, KeyError, TypeError, zipfile.BadZipFile) as error:
        why = getattr(error, "strerror", None) or " ".join(str(error).split()) or "it ends early"
        raise InputError(f"{path}: is no certificate, or damaged ({why}); make it again") from None
    except Exception as error:  # the libraries raise many kinds over damaged files
        raise InputError(
            f"{path}: is no certificate, or damaged ({type(error).__name__}); make it again"
        ) from None
    return found | {"about": about}


def _check_size(archive: zipfile.ZipFile, info: zipfile.ZipInfo) -> None:
    """Refuse an array whose header asks for more than the archive holds."""
    with archive.open(info) as file:
        version = np.lib.format.read_magic(file)
        read = {(1, 0): np.lib.format.read_array_header_1_0}.get(version)
        if read is None:
            raise ValueError("an array has an unknown form")
        shape, fortran, kind = read(file)
        if fortran or kind.str not in ("<f8", "<i8", "|u1"):
            raise ValueError("an array has an unknown form")
        if int(np.prod(shape, dtype=object)) * kind.itemsize > info.file_size:
            raise ValueError("an array is cut off")


def _check_form(found: Certificate, about: Any) -> None:
    """Raise ValueError unless all shapes and numbers fit together."""
    if not isinstance(about, dict) or about.get("content") != CONTENT:
        raise ValueError("its words are not those of a certificate")
    for name in ("cost_g", "bound_g", "rounding_g"):
        if not isinstance(about.get(name), float) or not np.isfinite(about[name]):
            raise ValueError(f"{name} is no number")
    if type(about.get("pieces")) is not int or not 1 <= about["pieces"] <= MOST_PIECES:
        raise ValueError("pieces is no number, or too high")
    steps, gears, classes = found["count"].shape
    nodes, moves, points = found["battery_soc"].size, found["source"].size, found["power"].size
    lengths = {"t": steps, "T": steps + 1, "g": gears, "c": classes, "p": points, "n": nodes}
    lengths |= {"m": moves, "2": 2, "b": found["limit"].size}
    lengths["k"] = found["start_price"].size
    for name, axes in SHAPES.items():
        array = found[name]
        if array.shape != tuple(lengths[axis] for axis in axes) or array.dtype.str != _kind(name):
            raise ValueError(f"{name} has the wrong shape or kind")
        ordinary = array[array != np.inf] if name in MAY_BE_INFINITE else array
        if not (np.abs(ordinary) < HUGE).all():
            raise ValueError(f"{name} holds what is no number")
    low, high = found["window"]
    sound = {
        "steps": steps > 0 and classes == 3 and (found["dt"] > 0.0).all(),
        "lists": (found["count"] >= 0).all()
        and (found["first"].ravel() == np.cumsum(found["count"]) - found["count"].ravel()).all()
        and found["count"].sum() == points
        and points > 0,
        "battery": nodes > 1
        and (np.diff(found["battery_soc"]) > 0.0).all()
        and min(found["voltage"].min(), found["capacity"]) > 1.0 / HUGE
        and 0.0 < found["efficiency"] <= 1.0
        and (found["discharge"] >= 0.0).all()
        and (found["charge"] >= 0.0).all(),
        "window": found["battery_soc"][0] <= low < high <= found["battery_soc"][-1]
        and low - NEAR <= min(found["soc_start"], found["soc_end"])
        and max(found["soc_start"], found["soc_end"]) <= high + NEAR,
        "boxes": 1 <= found["boxes"] <= 4096,
        "states": 1 <= found["states"] <= 256,
        "levels": 1 <= found["levels"] * found["states"] * gears <= MOST_LEVELS,
        "limits": (found["limit"] > 0.0).all()
        and (found["rise"] >= 0.0).all()
        and (found["kept"] > 0.0).all()
        and (found["kept"] <= 1.0).all()
        and -1 <= found["room"] < found["limit"].size,
    }
    below = {"source": "states", "target": "states", "move_engine": classes, "move_gear": 5}
    below |= {"gear": gears, "engine": classes}
    for name, limit in below.items():
        limit = found[limit] if isinstance(limit, str) else limit
        sound[name] = bool(((found[name] >= 0) & (found[name] < limit)).all())
    sound["begin"] = bool(
        (found["begin"] >= 0).all() and (found["begin"] < [found["states"], gears]).all()
    )
    wrong = [name for name, holds in sound.items() if not holds]
    if wrong:
        raise ValueError(f"{wrong[0]} cannot be so")
    if about.get("problem_sha256") != problem_digest(found):
        raise ValueError("the problem is not the one it was made for: its SHA-256 differs")


def check_certificate(found: Certificate) -> Proved:
    """Return what a certificate proves.

    Raises
    ------
    FailedError
        It proves less than it says, or its schedule breaks a rule or costs something else.
    """
    about = found["about"]
    try:
        proved = prove(found)
    except ValueError as error:
        raise FailedError(f"the certificate is false: {error}") from None
    if abs(proved.cost - about["cost_g"]) > NEAR * (1.0 + abs(proved.cost)):
        raise FailedError(
            f"the certificate is false: its schedule costs {proved.cost:.6f} g and not "
            f"{about['cost_g']:.6f} g"
        )
    if about["bound_g"] > proved.bound + 2.0 * proved.slack:
        raise FailedError(
            f"the certificate is false: it proves {proved.bound:.6f} g and not "
            f"{about['bound_g']:.6f} g"
        )
    return proved
