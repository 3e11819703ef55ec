"""`grid_points`: scattered bench points to the full grid that a driveline reads."""

from dataclasses import dataclass

import numpy as np
from scipy.optimize import isotonic_regression
from xarray import DataArray

from ..base.errors import InputError
from ..base.units import RPM
from .bench_points import ENGINE, BenchPoints
from .map_hull import convex_hull, is_inside
from .map_outliers import find_outliers
from .map_spline import MAX_PIECES, FittedSurface, SplineShape, fit_surface, is_determined

ORDERS = {ENGINE: (2, 2), "motor": (2, 3)}
"""Of the penalties over speed and torque: beyond the points an engine's fuel goes on as a line of
torque (Willans), a motor's loss as a parabola."""
DEFAULT_SPEEDS = 20
DEFAULT_TORQUES = {ENGINE: 20, "motor": 25}
RISE = 3.0  # RMS residuals by which the map may be changed so that fuel rises with torque


@dataclass(frozen=True, kw_only=True)
class GridRequest:
    """The grid that is wanted; None takes it from the points.

    Attributes
    ----------
    speeds, torques : number of each; a motor's torques are made odd, so that 0 is one of them
    speed_low, speed_high : ends of the speed axis, rad/s; a motor's begins at 0
    torque_high : end of the torque axis, N m; a motor's reaches from its negative
    limit : full load or peak torque over speed (rad/s, N m); ends not given reach its ends too
    drop_outliers : leave points out that look like outliers
    """

    speeds: int = DEFAULT_SPEEDS
    torques: int | None = None
    speed_low: float | None = None
    speed_high: float | None = None
    torque_high: float | None = None
    limit: DataArray | None = None
    drop_outliers: bool = False


@dataclass(frozen=True, eq=False)
class BenchMap:
    """A full-grid map, with what it was made from.

    Attributes
    ----------
    points : all points
    used : index of the points that the map is made from
    outliers : index of the points that look like outliers
    fit : the surface through the used points
    one_sided : a motor's points all drive or all brake; the other half mirrors them
    map : dims (speed, torque), in SI, as a driveline reads it
    hull : corners of the used points' convex hull, (k, 2), rad/s and N m
    extrapolated : whether a node of the grid lies outside the hull, like the map
    lifted, raised : number of nodes set to zero from below, and made to rise with torque
    falls_at : speed and torque where fuel falls with torque and was left so, or None
    """

    points: BenchPoints
    used: np.ndarray
    outliers: np.ndarray
    fit: FittedSurface
    one_sided: bool
    map: DataArray
    hull: np.ndarray
    extrapolated: np.ndarray
    lifted: int
    raised: int
    falls_at: tuple[float, float] | None

    def surface(self, speed: np.ndarray, torque: np.ndarray) -> np.ndarray:
        """Return the smooth surface, before it was put on the grid."""
        return self.fit(speed, np.abs(torque) if self.one_sided else torque)

    def without_outliers(self, speed: np.ndarray, torque: np.ndarray) -> np.ndarray:
        """Return the surface that is made from all points but the outliers."""
        points = self.points.without(self.outliers)
        own = np.abs(points.torque) if self.one_sided else points.torque
        fit = fit_surface(self.fit.shape, points.speed, own, points.value)
        return fit(speed, np.abs(torque) if self.one_sided else torque)


def grid_points(points: BenchPoints, plan: GridRequest | None = None) -> BenchMap:
    """Fit a smooth surface to bench points and put it on a full grid.

    Parameters
    ----------
    points
        From :func:`.points.read_points`.
    plan
        The grid; by default its ends are those of the points (0 N m and a motor's 0 rpm too).

    Returns
    -------
    BenchMap
        Never negative, and of an engine rising with torque, unless the points contradict it.

    Raises
    ------
    InputError
        The points lie on too few speeds or torques, or the grid is empty or too large.
    """
    plan = plan or GridRequest()
    speed_axis, torque_axis = _axes(points, plan)
    sides = (points.torque >= 0.0).all() or (points.torque <= 0.0).all()
    one_sided = points.kind != ENGINE and bool(sides)
    torque = np.abs(points.torque) if one_sided else points.torque
    shape = _shape(points, torque, speed_axis, np.abs(torque_axis) if one_sided else torque_axis)
    if not is_determined(shape, points.speed, torque):
        raise InputError(
            f"{points.path}: the points lie on too few speeds or torques for a map; add points "
            "at other speeds and torques"
        )
    try:
        outliers = find_outliers(shape, points.speed, torque, points.value)
        dropped = outliers if plan.drop_outliers else outliers[:0]
        used = np.setdiff1d(np.arange(points.speed.size), dropped)
        fit = fit_surface(shape, points.speed[used], torque[used], points.value[used])
    except InputError as error:
        raise InputError(f"{points.path}: {error}") from None
    hull = convex_hull(np.column_stack((points.speed[used], points.torque[used])))
    nodes = [axis.ravel() for axis in np.meshgrid(speed_axis, torque_axis, indexing="ij")]
    size = (speed_axis.size, torque_axis.size)
    values = fit(nodes[0], np.abs(nodes[1]) if one_sided else nodes[1]).reshape(size)
    inside = is_inside(hull, np.column_stack(nodes)).reshape(size)
    lifted = int((values < 0.0).sum())
    values = np.maximum(values, 0.0)
    raised, falls_at = 0, None
    if points.kind == ENGINE:
        limit = RISE * float(np.sqrt(np.mean(fit.residual**2))) + 1e-9 * float(values.max())
        risen = np.array([isotonic_regression(row).x for row in values])
        change = np.abs(risen - values)
        at = np.unravel_index(int(np.argmax(np.where(inside, change, 0.0))), size)
        if inside[at] and change[at] > limit:
            falls_at = (float(speed_axis[at[0]]), float(torque_axis[at[1]]))
        else:
            raised, values = int((change > 1e-12 * values.max()).sum()), risen
    made = DataArray(values, {"speed": speed_axis, "torque": torque_axis}, ("speed", "torque"))
    return BenchMap(
        points, used, outliers, fit, one_sided, made, hull, ~inside, lifted, raised, falls_at
    )


def _axes(points: BenchPoints, plan: GridRequest) -> tuple[np.ndarray, np.ndarray]:
    """Return the axes of the grid, rad/s and N m."""
    engine = points.kind == ENGINE
    speeds, loads = points.speed, np.abs(points.torque)
    if plan.limit is not None:
        speeds = np.append(speeds, plan.limit["speed"].values)
        loads = np.append(loads, plan.limit.values)
    low = speeds.min() if plan.speed_low is None else plan.speed_low
    low = low if engine else 0.0
    high = speeds.max() if plan.speed_high is None else plan.speed_high
    top = loads.max() if plan.torque_high is None else plan.torque_high
    if not (low < high and top > 0.0):
        raise InputError(
            f"{points.path}: the grid from {low / RPM:g} to {high / RPM:g} rpm and up to {top:g} "
            "Nm is empty; the points need two speeds and a torque, or mend the ends given"
        )
    torques = plan.torques or DEFAULT_TORQUES[points.kind]
    speed = np.linspace(low, high, plan.speeds)
    if engine:
        return speed, np.linspace(0.0, top, torques)
    half = np.linspace(0.0, top, max(torques // 2, 1) + 1)
    return speed, np.concatenate((-half[:0:-1], half))


def _shape(
    points: BenchPoints, torque: np.ndarray, speed_axis: np.ndarray, torque_axis: np.ndarray
) -> SplineShape:
    """Return splines over grid and points."""
    x, y = np.append(speed_axis, points.speed), np.append(torque_axis, torque)
    pieces = int(np.clip(round(points.speed.size**0.5), 3, MAX_PIECES))
    low, high = (float(x.min()), float(y.min())), (float(x.max()), float(y.max()))
    return SplineShape(low, high, (pieces, pieces), ORDERS[points.kind])
