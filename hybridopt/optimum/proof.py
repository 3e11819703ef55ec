"""Check a certificate: that its bound holds for its problem, and that its schedule costs so much.

Plain Python and NumPy, and nothing of the solver: this file repeats the theorem of dp/bound.py from
the arrays of the certificate alone. All rounding goes the way that lowers the bound.
"""

from typing import Any, NamedTuple

import numpy as np

UNIT = 2.0**-53  # relative rounding error of one operation
MANY = 100.0 * UNIT  # of more than one stage takes, one after the other
NEAR = 1e-6  # SoC, how far beyond window and end a schedule may lie; a share of cost and limits
LEVELS = 4000  # of the budget that paths keep
FITS = np.array([[1, 1, 1], [0, 1, 0], [1, 0, 1], [0, 0, 1], [1, 0, 0]], dtype=bool)
"""Whether kinds of move (any, same gear, another, higher, lower) fit shifts down, none and up."""
Certificate = dict[str, Any]


class Proved(NamedTuple):
    """What was found: bound, rounding taken off it, and cost of the schedule, g; its last SoC."""

    bound: float
    slack: float
    cost: float
    soc_end: float


QUIET = np.errstate(all="ignore")  # of infinite costs, and numbers that no certificate should hold


@QUIET
def prove(c: Certificate) -> Proved:
    """Return what a certificate proves; ValueError says which rule its schedule breaks."""
    (cost, soc_end), (bound, slack) = schedule_cost(c), lower_limit(c)
    insist(np.isfinite(bound + slack), "its numbers are beyond all measure")
    return Proved(bound, slack, cost, soc_end)


def insist(holds: Any, why: str) -> None:
    """Raise ValueError with a reason unless something holds."""
    if not holds:
        raise ValueError(why)


def battery(c: Certificate, name: str, soc: Any) -> Any:
    """Return a column of the battery's table at states of charge."""
    return np.interp(soc, c["battery_soc"], c[name])


def schedule_cost(c: Certificate) -> tuple[float, float]:
    """Drive the schedule by the rules; return its cost, g, and the SoC where it ends."""
    (state, gear), total, heat = c["begin"], 0.0, np.zeros(c["limit"].size)
    soc, end, (low, high) = float(c["soc_start"]), float(c["soc_end"]), c["window"]
    for t, dt in enumerate(c["dt"]):
        g, e, k, share = (c[name][t] for name in ("gear", "engine", "split", "share"))
        fits = (c["source"] == state) & (c["move_engine"] == e)
        fits &= FITS[c["move_gear"], np.sign(g - gear) + 1]
        known = fits.any() and 0 <= k < c["count"][t, g, e]  # choice 0 mixes with none
        mixes = share == 0.0 or (0.0 < share <= 1.0 and 0 < k < c["count"][t, g, e] - 1)
        insist(known and mixes, f"step {t}: the schedule takes a choice that the problem lacks")
        move, some = int(np.argmax(fits)), c["first"][t, g, e] + k + np.array([0, int(share > 0.0)])
        insist(soc >= c["opens"][move] - NEAR, f"step {t}: the SoC is too low to stop the engine")
        parts = np.array([1.0 - share, share])
        power, paid = parts @ c["power"][some], parts @ c["cost"][some]
        total += paid + c["move_cost"][t, move] + c["shift"][t, e, gear, g]
        heat = c["kept"][:, t] * heat + c["rise"][:, some] @ parts
        insist((heat <= (1.0 + NEAR) * c["limit"]).all(), f"step {t}: it passes a thermal limit")
        u, r = (battery(c, n, soc) for n in ("voltage", "discharge" if power > 0.0 else "charge"))
        least, most = (battery(c, name, soc) for name in ("power_min", "power_max"))
        able = u * u - 4.0 * r * power >= -NEAR * u * u and least - NEAR <= power <= most + NEAR
        insist(able, f"step {t}: the battery cannot give or take {power:g} W")
        charge = 2.0 * power / (u + np.sqrt(max(u * u - 4.0 * r * power, 0.0))) * dt
        soc -= charge * (c["efficiency"] if power < 0.0 else 1.0) / c["capacity"]
        insist(low - NEAR <= soc <= high + NEAR, f"step {t}: the schedule leaves the SoC window")
        state, gear = c["target"][move], g
    insist(soc >= end - NEAR, f"the schedule ends at {soc:.6g} and not at {end:.6g} of SoC")
    insist(np.isfinite(total), "the schedule takes a choice that the problem forbids")
    return float(total), float(soc)


def energy(c: Certificate, soc: np.ndarray) -> np.ndarray:
    """Return the stored energy up to states of charge, J: the integral of the voltage."""
    nodes, u = c["battery_soc"], c["voltage"]
    whole = np.append(0.0, np.cumsum(0.5 * np.diff(nodes) * (u[1:] + u[:-1])))
    i = np.clip(np.searchsorted(nodes, soc, side="right") - 1, 0, nodes.size - 2)
    part = 0.5 * (soc - nodes[i]) * (u[i] + battery(c, "voltage", soc))
    return np.asarray(c["capacity"] * (whole[i] + part))


def boxes(c: Certificate, low: np.ndarray, high: np.ndarray) -> np.ndarray:
    """Return the battery at which a power takes the least from ranges of SoC, (6, ranges).

    Rows: energy at both ends, J, highest voltage, lowest resistances, and what the rise of the
    voltage takes off a resistance, per second.
    """
    nodes, most = c["battery_soc"], float(np.abs(c["power"]).max())
    soc = np.column_stack((low, np.clip(nodes, low[:, None], high[:, None]), high))
    u, r, r_charge = (battery(c, name, soc) for name in ("voltage", "discharge", "charge"))
    u_high, u_low, r_low = u.max(axis=1), u.min(axis=1), r.min(axis=1)
    reach = 2.0 * most / c["voltage"].min() * c["dt"].max() / c["capacity"]
    near = (nodes[1:] > low[:, None] - reach) & (nodes[:-1] < high[:, None] + reach)
    rise = np.where(near, np.diff(c["voltage"]) / np.diff(nodes), 0.0).max(axis=1).clip(0.0)
    best, worst = u_high**2 - 4.0 * r_low * most, u_low**2 - 4.0 * r.max(axis=1) * most
    apart = (u_high + np.sqrt(best.clip(0.0))) / (u_low + np.sqrt(worst.clip(0.0)))  # of currents
    apart = np.where(worst > 0.0, np.maximum(apart, u_high / u_low), 2.0 * u_high / u_low)
    bend = 0.5 * rise / c["capacity"] * apart**2 * (1.0 + NEAR)
    lowest = u_high * (1.0 + MANY), r_low * (1.0 - MANY), r_charge.min(axis=1) * (1.0 - MANY)
    return np.array([energy(c, low), energy(c, high), *lowest, bend])


def stage(ends: Any, costs: Any, weight: Any, dt: Any, efficiency: float, box: Any) -> Any:
    """Return the least cost + weight * drain in ranges of SoC, and its rounding, g, (pieces,).

    Along a piece of a list, from `ends[0]` to `ends[1]` W, (pieces,), cost is linear in power
    p = u i - r i^2 and drain is dt (u i - bend i^2): together a parabola over the current i, whose
    least value lies at an end or at its vertex. Currents are rounded outwards.
    """
    (_, _, u, ohms, ohms_charging, bend), found = box, []
    width, low, high = ends[1] - ends[0], np.minimum(*ends), np.maximum(*ends)
    rate = np.where(width == 0.0, 0.0, (costs[1] - costs[0]) / width)
    base = np.where(width == 0.0, np.minimum(*costs), costs[0]) - rate * ends[0]
    for sign, r, share in ((1.0, ohms, 1.0), (-1.0, ohms_charging, efficiency)):
        scale, bent, out = weight * dt * share, share * bend * dt, sign * np.array([[-1.0], [1.0]])
        p = sign * np.maximum(sign * np.array([low, high]), 0.0)
        inside = u * u - 4.0 * r * p - MANY * out * (u * u + 4.0 * r * np.abs(p))
        i = 2.0 * p / (u + np.sqrt(np.maximum(inside, 0.0)))
        vertex = np.clip(0.5 * (rate + scale) * u / (rate * r + scale * bent), *i)
        for x in (*i, vertex):
            value = base + ((rate + scale) * u - (rate * r + scale * bent) * x) * x
            size = np.abs(rate) * (u + r * np.abs(x)) + scale * (u + np.abs(bent * x))
            error = MANY * (np.abs(base) + 2.0 * np.abs(rate * ends[0]) + size * np.abs(x))
            able = (high >= 0.0 if sign > 0.0 else low < 0.0) & (value < np.inf)
            found.append((np.where(able, value - error, np.inf), np.where(able, error, 0.0)))
    least, error = np.array(found).transpose(1, 0, 2)
    return least.min(axis=0), error.max(axis=0)


def numbers(each: np.ndarray) -> np.ndarray:
    """Return 0, 1, ... for each of some lengths, one behind the other."""
    return np.asarray(np.arange(each.sum()) - np.repeat(np.cumsum(each) - each, each))


def stages(c: Certificate, cost: Any, lam: Any, change: Any, z_open: float) -> Any:
    """Return the least stage cost of every step, gear and class, g, and the rounding of all steps.

    Every list counts over all SoC in reach at once, or, where `fine` says so, box after box, which
    is higher. Behind the last class stand the stages of stops that are open from some SoC on.
    """
    both = [np.concatenate((c[name], c[name][..., :1]), axis=2) for name in ("count", "first")]
    (count, first), value = (of.ravel() for of in both), np.full(both[0].shape, np.inf)
    place, free = numbers(c["count"].ravel()), np.append(np.isfinite(cost), False)
    mixes = (place > 0) & (np.append(place[1:], 0) > 0) & free[:-1] & free[1:]
    edges: Any = np.linspace(c["window"][0], c["window"][1], int(c["boxes"]) + 1)
    reach = 2.0 * np.abs(c["power"]).max() / c["voltage"].min() * c["dt"] / c["capacity"] + NEAR
    gone, left = np.append(0.0, np.cumsum(reach)[:-1]), np.cumsum(reach[::-1])[::-1]
    low, high = np.maximum(c["soc_start"] - gone, c["soc_end"] - left), c["soc_start"] + gone
    a = np.clip(np.searchsorted(edges, low - NEAR, side="right") - 1, 0, edges.size - 2)
    b = np.clip(np.searchsorted(edges, high + NEAR), a + 1, edges.size - 1)
    z_top, worst, lists = float(np.abs(energy(c, edges)).max()), 0.0, np.flatnonzero(count)
    fine, t = c["fine"].ravel()[lists] > 0, lists // value[0].size
    each = np.where(fine, (b - a)[t], 1)
    jobs, begin = np.repeat(lists, each), np.repeat(a[t], each) + numbers(each)
    end = np.where(np.repeat(fine, each), begin + 1, np.repeat(b[t], each))
    for part in np.array_split(np.arange(jobs.size), jobs.size // 1_000 + 1):
        job, box = jobs[part], boxes(c, edges[begin[part]], edges[end[part]])
        t, owner = job // value[0].size, np.repeat(np.arange(job.size), count[job])
        here = first[job][owner] + numbers(count[job])
        ends, costs = ([of[p] for p in (here, here + mixes[here])] for of in (c["power"], cost))
        terms = lam[t + 1][owner], c["dt"][t][owner], c["efficiency"], box[:, owner]
        least, error = stage(ends, costs, *terms)
        floor = np.where(job % both[0].shape[2] == 3, z_open, box[0]).clip(box[0])
        moved = change[t] * np.where(change[t] >= 0.0, floor, box[1])
        moved = np.where(box[1] < floor, np.inf, moved - MANY * z_top * np.abs(change[t]))
        least = np.minimum.reduceat(least, np.cumsum(count[job]) - count[job]) + moved
        np.minimum.at(value.reshape(-1), job, least)
        worst = max(worst, error.max())
    return value, len(value) * worst + MANY * z_top * float(np.abs(change).sum())


def path(c: Certificate, value: Any, rise: Any, gated: Any, extra: Any) -> tuple[float, float]:
    """Return the length of the shortest path that keeps the paths' budget, and its rounding, g.

    A level of the budget stands for all of it up to the next one; what a step makes of it is
    rounded down.
    """
    (steps, gears, classes), engine, largest = value.shape, c["move_engine"], 0.0
    kept, levels, step = np.ones(steps), 1, 1.0
    if c["room"] >= 0:
        kept, levels, step = c["kept"][c["room"]], LEVELS, c["limit"][c["room"]] / LEVELS
    fits = FITS[c["move_gear"]][:, np.sign(np.arange(gears) - np.arange(gears)[:, None]) + 1]
    ahead = np.zeros((int(c["states"]), gears, levels + 1))
    ahead[..., levels] = np.inf  # above the limit
    for t in range(steps - 1, -1, -1):
        here = value[t][:, np.where(gated, classes - 1, engine)].T[:, None] + c["shift"][t][engine]
        here = np.where(fits, here + (c["move_cost"][t] + extra)[:, None, None], np.inf)[..., None]
        after, ahead = ahead, np.full(ahead.shape, np.inf)
        for m, s in enumerate(c["source"]):
            to = kept[t] * np.arange(levels) + rise[t, :, engine[m], None] / step - NEAR
            to = to.clip(0.0, levels).astype(int)
            ways = here[m] + np.take_along_axis(after[c["target"][m]], to, axis=1)
            ahead[s, :, :levels] = np.minimum(ahead[s, :, :levels], ways.min(axis=1))
        largest = max(
            largest, *(np.abs(of[np.isfinite(of)]).max(initial=0.0) for of in (here, ahead))
        )
    return float(ahead[(*c["begin"], 0)]), 8.0 * UNIT * steps * float(largest)


@QUIET
def lower_limit(c: Certificate) -> tuple[float, float]:
    """Return the bound of the certificate's multipliers, g, and the rounding taken off it.

    A schedule starts its engine in at most `starts` steps, or in more. A price p on these steps, of
    0 or more in the first branch and 0 or less in the second, is worth no more than p times them.
    """
    price = c["start_price"]
    insist(0 < price.size < 3 and price[0] >= 0.0 >= price[-1], "its branches leave some out")
    return min(branch(c, c["multipliers"][k], price[k], c["starts"] + k) for k in range(price.size))


def branch(c: Certificate, lam: Any, start: float, starts: int) -> tuple[float, float]:
    """Return the bound of multipliers and a price on steps of a start, g, and its rounding."""
    price, count, rise = c["price"], c["count"], np.zeros(c["count"].shape)
    relief = price - np.column_stack((c["kept"][:, 1:] * price[:, 1:], 0.0 * price[:, :1]))
    insist((lam >= 0.0).all() and (relief >= 0.0).all(), "a multiplier is below zero")
    paid = price[:, np.repeat(np.arange(len(count)), count.sum(axis=(1, 2)))] * c["rise"]
    cost = c["cost"] + paid.sum(axis=0) * (1.0 - MANY)
    credit = float(c["limit"] @ (relief + MANY * price).sum(axis=1))
    if c["room"] >= 0:
        able = np.where(np.isfinite(cost), c["rise"][c["room"]], np.inf)
        rise[count > 0] = np.minimum.reduceat(able, c["first"][count > 0])
    gated = c["opens"] > c["window"][0]
    ends = np.array([c["soc_start"], c["soc_end"], c["opens"][gated].min(initial=1.0) - NEAR])
    (z_start, z_end, z_open), z_top = energy(c, ends), np.abs(energy(c, c["window"])).max()
    change, worth = np.append(0.0, lam[1:-1] - lam[2:]), start * starts
    value, rounding = stages(c, cost, lam, change, z_open)  # in the first step z is known
    length, slack = path(c, value, rise, gated, start * (c["move_engine"] == 2))
    slack += MANY * (credit + abs(worth) + (lam[1] + lam[-1]) * z_top)
    bound = length - credit - worth - lam[1] * z_start + lam[-1] * z_end - slack
    return float(bound), float(slack + rounding)
