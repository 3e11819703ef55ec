"""Check a certificate: that its bound holds for its problem, and that its schedule costs so much.

Plain Python and NumPy, and nothing of the solver: this file repeats the theorem of dp/bound.py from
the arrays of the certificate alone. What its operations may have rounded is taken off the bound.
"""

from typing import Any, NamedTuple

import numpy as np

MANY = 100.0 * 2.0**-53  # relative rounding error of more operations than a stage takes in a row
NEAR = 1e-6  # SoC, how far beyond window and end a schedule may lie; a share of cost and limits
FITS = np.array([[1, 1, 1], [0, 1, 0], [1, 0, 1], [0, 0, 1], [1, 0, 0]], dtype=bool)
"""Whether kinds of move (any, same gear, another, higher, lower) fit shifts down, none and up."""
Certificate = dict[str, Any]


class Proved(NamedTuple):
    """What was found: bound, rounding taken off it, and cost of the schedule, g; its last SoC."""

    bound: float
    slack: float
    cost: float
    soc_end: float


@np.errstate(all="ignore")  # of infinite costs, and numbers that no certificate should hold
def prove(c: Certificate) -> Proved:
    """Return what a certificate proves; ValueError says which rule its schedule breaks."""
    (cost, soc_end), (bound, slack) = schedule_cost(c), lower_limit(c)
    insist(np.isfinite([cost, bound, slack]).all(), "what it takes is forbidden, or beyond measure")
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
    return float(total), float(soc)


def energy(c: Certificate, soc: np.ndarray) -> np.ndarray:
    """Return the stored energy up to states of charge, J: the integral of the voltage."""
    nodes = np.append(c["battery_soc"][0] - 1.0, c["battery_soc"])
    at = np.column_stack((np.minimum(nodes, soc[:, None]), soc))
    u = battery(c, "voltage", at)
    return np.asarray(c["capacity"] * (0.5 * np.diff(at) * (u[:, 1:] + u[:, :-1])).sum(axis=1))


def boxes(c: Certificate, dt: float, reach: float, low: np.ndarray, high: np.ndarray) -> Any:
    """Return the battery at which a power takes the least from ranges of SoC, (6, ranges).

    Rows: energy at both ends, J, highest voltage, lowest resistances, and `bend`, what the rise of
    the voltage within `reach` takes off a resistance, per second: half of it over the charge. Power
    p takes dt (p + (r - bend dt) i^2). Where r >= bend dt that is least where i is least, at the
    highest voltage, and r; elsewhere the current may be up to 2 u_high / u_low times as high.
    """
    nodes = c["battery_soc"]
    soc = np.column_stack((low, np.clip(nodes, low[:, None], high[:, None]), high))
    u, r, r_charge = (battery(c, name, soc) for name in ("voltage", "discharge", "charge"))
    u_high, u_low = u.max(axis=1) * (1.0 + MANY), u.min(axis=1)
    ohms = np.array([r.min(axis=1), r_charge.min(axis=1)]) * (1.0 - MANY)
    near = (nodes[1:] > low[:, None] - reach) & (nodes[:-1] < high[:, None] + reach)
    rise = np.where(near, np.diff(c["voltage"]) / np.diff(nodes), 0.0).max(axis=1).clip(0.0)
    bend = 0.5 * (1.0 + NEAR) * rise / c["capacity"]
    bend *= np.where(ohms.min(axis=0) >= bend * dt, 1.0, (2.0 * u_high / u_low) ** 2)
    return np.array([energy(c, low), energy(c, high), u_high, *ohms, bend])


def stage(ends: Any, costs: Any, weight: float, dt: float, efficiency: float, box: Any) -> Any:
    """Return the least cost + weight * drain in ranges of SoC, and its rounding, g.

    Along a piece of a list, from `ends[0]` to `ends[1]` W, (pieces, 1), cost is linear in power
    p = u i - r i^2 and drain is dt (u i - bend i^2): together a parabola over the current i, whose
    least value lies at an end or at its vertex. Where the ends are nearly one, the cheaper counts.
    Currents are rounded outwards. The costs are (pieces, ranges).
    """
    (_, _, u, ohms, ohms_charging, bend), found = box, []
    low, high, flat = np.minimum(*ends), np.maximum(*ends), np.abs(ends[1] - ends[0]) < NEAR
    rate = np.where(flat, 0.0, (costs[1] - costs[0]) / (ends[1] - ends[0]))
    base = np.where(flat, np.minimum(*costs), costs[0]) - rate * ends[0]
    for sign, r, share in ((1.0, ohms, 1.0), (-1.0, ohms_charging, efficiency)):
        scale, bent, out = weight * dt * share, share * bend * dt, sign * np.array([-1.0, 1.0])
        p = sign * np.maximum(sign * np.array([low, high]), 0.0)
        inside = u * u - 4.0 * r * p - MANY * out[:, None, None] * (u * u + 4.0 * r * np.abs(p))
        i = 2.0 * p / (u + np.sqrt(np.maximum(inside, 0.0)))
        vertex = np.clip(0.5 * (rate + scale) * u / (rate * r + scale * bent), *i)
        for x in (*i, vertex):
            value = base + ((rate + scale) * u - (rate * r + scale * bent) * x) * x
            size = np.abs(rate) * (u + r * np.abs(x)) + scale * (u + np.abs(bent * x))
            error = MANY * (np.abs(base) + 2.0 * np.abs(rate * ends[0]) + size * np.abs(x))
            able = (high >= 0.0 if sign > 0.0 else low < 0.0) & (value < np.inf)
            found.append((np.where(able, value, np.inf), np.where(able, error, 0.0)))
    least, error = np.array(found).swapaxes(0, 1)
    return least.min(axis=0), error.max(initial=0.0)


def pieces(c: Certificate, t: int, cost: Any, lam: Any, reach: Any, z_open: float) -> Any:
    """Return the pieces of a step's lists: list, both choices, least stage cost, g; and rounding.

    A piece lies between two neighbouring choices that mix, or is a choice alone; choice 0 mixes
    with none. Stage costs, (2, pieces), are those of any z, and of z from `z_open` on. Each list
    counts over all SoC in reach at once, or, where `fine` says so, box by box, which is higher.
    """
    count, first = c["count"][t].ravel(), c["first"][t].ravel()
    owner, change = np.repeat(np.arange(count.size), count), (lam[t] - lam[t + 1]) * (t > 0)
    here = first[0] + np.arange(owner.size)
    place, free = here - first[owner], np.isfinite(cost[here])
    joins = np.append((place[:-1] > 0) & (place[1:] > 0) & free[:-1] & free[1:], False)
    pair, fine = np.array([here, here + joins]), c["fine"][t].ravel()[owner] > 0
    gone, left = NEAR + reach[:t].sum(), NEAR + reach[t:].sum()
    low = max(c["window"][0], c["soc_start"] - gone, c["soc_end"] - left)
    edges = np.linspace(low, min(c["window"][1], c["soc_start"] + gone), int(c["boxes"]) + 1)
    value, slack = np.empty((2, here.size)), 0.0
    for of, *ends in ((fine, edges[:-1], edges[1:]), (~fine, edges[:1], edges[-1:])):
        box, terms = (
            boxes(c, c["dt"][t], reach[t], *ends),
            (lam[t + 1], c["dt"][t], c["efficiency"]),
        )
        least, error = stage(c["power"][pair[:, of, None]], cost[pair[:, of, None]], *terms, box)
        floor = np.maximum(box[0], [[-np.inf], [z_open]])
        moved = np.where(floor > box[1], np.inf, change * np.where(change >= 0.0, floor, box[1]))
        value[:, of] = (least + moved[:, None]).min(axis=2)
        slack = max(slack, error + MANY * np.abs(change * box[:2]).max())
    return owner, pair, value, slack


def arrive(cost: Any, rise: Any, gear: Any, after: Any, kept: float) -> Any:
    """Return the least cost of pieces with what is `after` them, (gears, levels), at each level.

    A level of the paths' budget stands for all of it up to the next one; what a step makes of it
    is rounded down. The last level is above the limit. Pieces count that no other one is better
    than in both heat and cost.
    """
    least, level = np.full(after[:, 1:].shape, np.inf), np.arange(after.shape[1] - 1)
    for g in np.unique(gear[np.isfinite(cost)]):
        mine = np.flatnonzero(gear == g)
        mine = mine[np.lexsort((cost[mine], rise[mine]))]
        mine = mine[np.unique(np.minimum.accumulate(cost[mine]), return_index=True)[1]]
        to = (kept * level + rise[mine, None] - NEAR).clip(0.0, level.size).astype(int)
        least[g] = (cost[mine, None] + after[g][to]).min(axis=0)
    return least


def lower_limit(c: Certificate) -> tuple[float, float]:
    """Return the bound of the certificate's multipliers, g, and the rounding taken off it.

    A schedule starts its engine in at most `starts` steps, or in more. A price p on these steps, of
    0 or more in the first branch and 0 or less in the second, is worth no more than p times them.
    """
    price = c["start_price"]
    insist(0 < price.size < 3 and price[0] >= 0.0 >= price[-1], "its branches leave some out")
    return min(branch(c, c["multipliers"][k], price[k], c["starts"] + k) for k in range(price.size))


def branch(c: Certificate, lam: Any, start: float, starts: int) -> tuple[float, float]:
    """Return the bound of multipliers and a price on steps of a start, g, and its rounding.

    It is the length of the shortest path over engine, gear and levels, less what prices are worth.
    """
    price, kept, dt, engine = c["price"], c["kept"], c["dt"], c["move_engine"]
    relief = price - np.column_stack((kept[:, 1:] * price[:, 1:], 0.0 * price[:, :1]))
    insist((lam >= 0.0).all() and (relief >= 0.0).all(), "a multiplier is below zero")
    paid = price[:, np.repeat(np.arange(dt.size), c["count"].sum(axis=(1, 2)))] * c["rise"]
    cost, worth = c["cost"] + paid.sum(axis=0) * (1.0 - MANY), start * starts
    credit = float(c["limit"] @ (relief + MANY * price).sum(axis=1))
    room, levels = int(c["room"]), int(c["levels"])  # -1 is no room, of which nothing is used
    left = np.vstack((kept, np.ones(dt.size)))[room]
    heat = np.vstack((c["rise"], np.zeros(cost.size)))[room]
    heat *= levels / np.append(c["limit"], 1.0)[room]
    gated = (c["opens"] > c["window"][0]).astype(int)
    z_ends = np.array([c["soc_start"], c["soc_end"], c["opens"][gated > 0].min(initial=1.0) - NEAR])
    (z_start, z_end, z_open), gears = energy(c, z_ends), np.arange(c["count"].shape[1])
    reach = 2.0 * np.abs(c["power"]).max() / c["voltage"].min() * dt / c["capacity"] + NEAR
    fits = FITS[c["move_gear"]][:, np.sign(gears - gears[:, None]) + 1]
    ahead = np.zeros((int(c["states"]), gears.size, levels + 1))
    ahead[..., levels] = np.inf
    slack = MANY * (credit + abs(worth) + lam[1] * abs(z_start) + lam[-1] * abs(z_end))
    for t in range(dt.size - 1, -1, -1):
        owner, pair, value, error = pieces(c, t, cost, lam, reach, z_open)
        after, ahead, rise = ahead, np.full(ahead.shape, np.inf), heat[pair].min(axis=0)
        events = c["shift"][t][engine] + (c["move_cost"][t] + start * (engine == 2))[:, None, None]
        for m, (s, e, to) in enumerate(zip(c["source"], engine, c["target"], strict=True)):
            of, paid = owner % 3 == e, np.where(fits[m], events[m], np.inf)
            ways = arrive(value[gated[m], of], rise[of], owner[of] // 3, after[to], left[t])
            ways = (paid[..., None] + ways).min(axis=1)
            ahead[s, :, :levels] = np.minimum(ahead[s, :, :levels], ways)
        large = (np.abs(of[np.isfinite(of)]).max(initial=0.0) for of in (events, ahead))
        slack += error + MANY * max(*large, abs(start))
    bound = ahead[(*c["begin"], 0)] - credit - worth - lam[1] * z_start + lam[-1] * z_end - slack
    return float(bound), float(slack)
