"""Check a certificate: that its bound holds for its problem, and that its schedule costs so much.

Plain Python and NumPy, and nothing of the solver: this file repeats the theorem of dp/bound.py from
the arrays of the certificate alone. All rounding goes the way that lowers the bound.
"""

from typing import Any, NamedTuple

import numpy as np

UNIT = 2.0**-53  # relative rounding error of one operation
MANY = 100.0 * UNIT  # of more than one stage takes, one after the other
NEAR = 1e-6  # SoC, how far beyond window and end a schedule may lie; a share of cost and limits
LABELS = 96  # ways on that are kept of a state and gear
KINDS = {-1: (0, 2, 4), 0: (0, 1), 1: (0, 2, 3)}
"""Kinds of move (any, same gear, another, a higher, a lower) that fit a shift down, none and up."""
Certificate = dict[str, Any]


class Proved(NamedTuple):
    """What was found: bound, rounding taken off it, and cost of the schedule, g; lowest SoC."""

    bound: float
    slack: float
    cost: float
    soc_min: float
    soc_end: float


QUIET = np.errstate(all="ignore")  # of infinite costs, and numbers that no certificate should hold


@QUIET
def prove(c: Certificate) -> Proved:
    """Return what a certificate proves; ValueError says which rule its schedule breaks."""
    (cost, soc), (bound, slack) = schedule_cost(c), lower_limit(c)
    if not np.isfinite(bound + slack):
        raise ValueError("its numbers are beyond all measure")
    return Proved(bound, slack, cost, float(soc.min()), float(soc[-1]))


def battery(c: Certificate, name: str, soc: Any) -> Any:
    """Return a column of the battery's table at states of charge."""
    return np.interp(soc, c["battery_soc"], c[name])


def schedule_cost(c: Certificate) -> tuple[float, np.ndarray]:
    """Drive the schedule by the rules; return its cost, g, and SoC before each step and after."""
    steps, (state, gear), total, heat = c["dt"].size, c["begin"], 0.0, np.zeros(c["limit"].size)
    soc = np.full(steps + 1, float(c["soc_start"]))
    for t in range(steps):
        g, e, k, share = c["gear"][t], c["engine"][t], c["split"][t], c["share"][t]
        fits = (c["source"] == state) & (c["move_engine"] == e)
        fits &= np.isin(c["move_gear"], KINDS[int(np.sign(g - gear))])
        mixes = 0.0 < share <= 1.0 and 0 < k < c["count"][t, g, e] - 1  # choice 0 mixes with none
        if not fits.any() or not (share == 0.0 or mixes) or not 0 <= k < c["count"][t, g, e]:
            raise ValueError(f"step {t}: the schedule takes a choice that the problem lacks")
        move, first = int(np.argmax(fits)), c["first"][t, g, e] + k
        if soc[t] < c["opens"][move] - NEAR:
            raise ValueError(f"step {t}: the engine is stopped below the SoC from which it may be")
        some = np.array([first, first + 1])[: 2 if share else 1]
        parts = np.array([1.0 - share, share])[: some.size]
        power, paid = parts @ c["power"][some], parts @ c["cost"][some]
        total += paid + c["move_cost"][t, move] + c["shift"][t, e, gear, g]
        heat = c["kept"][:, t] * heat + c["rise"][:, some] @ parts
        if (heat > (1.0 + NEAR) * c["limit"]).any():
            raise ValueError(f"step {t}: the schedule passes a thermal limit")
        u = battery(c, "voltage", soc[t])
        inside = u * u - 4.0 * battery(c, "discharge" if power > 0.0 else "charge", soc[t]) * power
        limits = battery(c, "power_min", soc[t]), battery(c, "power_max", soc[t])
        if inside < -NEAR * u * u or not limits[0] - NEAR <= power <= limits[1] + NEAR:
            raise ValueError(f"step {t}: the battery cannot give or take {power:g} W")
        charge = 2.0 * power / (u + np.sqrt(max(inside, 0.0))) * c["dt"][t]
        soc[t + 1] = soc[t] - charge * (c["efficiency"] if power < 0.0 else 1.0) / c["capacity"]
        state, gear = c["target"][move], g
    if soc.min() < c["window"][0] - NEAR or soc.max() > c["window"][1] + NEAR:
        raise ValueError("the schedule leaves the SoC window")
    if soc[-1] < c["soc_end"] - NEAR:
        raise ValueError(f"the schedule ends at {soc[-1]:.6g} and not at {c['soc_end']:.6g} of SoC")
    if not np.isfinite(total):
        raise ValueError("the schedule takes a choice that the problem forbids")
    return float(total), soc


def energy(c: Certificate, soc: np.ndarray) -> np.ndarray:
    """Return the stored energy up to states of charge, J: the integral of the voltage."""
    nodes, u = c["battery_soc"], c["voltage"]
    whole = np.concatenate(([0.0], np.cumsum(0.5 * np.diff(nodes) * (u[1:] + u[:-1]))))
    i = np.clip(np.searchsorted(nodes, soc, side="right") - 1, 0, nodes.size - 2)
    part = 0.5 * (soc - nodes[i]) * (u[i] + battery(c, "voltage", soc))
    return np.asarray(c["capacity"] * (whole[i] + part))


def boxes(c: Certificate, low: np.ndarray, high: np.ndarray) -> np.ndarray:
    """Return the battery at which a power takes the least from ranges of SoC, (6, ranges).

    Rows: energy at both ends, J, highest voltage, lowest resistances, and what the rise of the
    voltage takes off a resistance, per second.
    """
    nodes, most, longest = c["battery_soc"], float(np.abs(c["power"]).max()), float(c["dt"].max())
    soc = np.column_stack((low, np.clip(nodes, low[:, None], high[:, None]), high))
    u, r, r_charge = (battery(c, name, soc) for name in ("voltage", "discharge", "charge"))
    u_high, u_low, r_low = u.max(axis=1), u.min(axis=1), r.min(axis=1)
    reach = 2.0 * most / c["voltage"].min() * longest / c["capacity"]
    near = (nodes[1:] > low[:, None] - reach) & (nodes[:-1] < high[:, None] + reach)
    rise = np.where(near, np.diff(c["voltage"]) / np.diff(nodes), 0.0).max(axis=1).clip(0.0)
    worst = u_low**2 - 4.0 * r.max(axis=1) * most  # of a current; over the least one it is `apart`
    best = (u_high**2 - 4.0 * r_low * most).clip(0.0)
    apart = (u_high + np.sqrt(best)) / (u_low + np.sqrt(worst.clip(0.0)))
    apart = np.maximum(np.where(worst > 0.0, apart, 2.0 * u_high / u_low), u_high / u_low)
    bend = 0.5 * rise / c["capacity"] * apart**2 * (1.0 + NEAR)
    lowest = u_high * (1.0 + MANY), r_low * (1.0 - MANY), r_charge.min(axis=1) * (1.0 - MANY)
    return np.array([energy(c, low), energy(c, high), *lowest, bend])


@QUIET
def stage(ends: Any, costs: Any, weight: Any, dt: Any, efficiency: float, box: Any) -> Any:
    """Return the least cost + weight * drain in a range of SoC, and its rounding, g, (lists,).

    Along a piece of a list, from `ends[0]` to `ends[1]` W, (lists, pieces), cost is linear in power
    p = u i - r i^2 and drain is dt (u i - bend i^2): together a parabola over the current i, whose
    least value lies at an end or at its vertex. Currents are rounded outwards.
    """
    _, _, u, ohms, ohms_charging, bend = box[:, :, None]
    width, low, high, found = ends[1] - ends[0], np.minimum(*ends), np.maximum(*ends), []
    rate = np.where(width == 0.0, 0.0, (costs[1] - costs[0]) / width)
    base = np.where(width == 0.0, np.minimum(*costs), costs[0])
    for sign, r, share in ((1.0, ohms, 1.0), (-1.0, ohms_charging, efficiency)):
        scale, bent, i = weight * dt * share, share * bend * dt, []
        for way, p in ((-1.0, low), (1.0, high)):
            p = sign * np.maximum(sign * p, 0.0)
            inside = u * u - 4.0 * r * p - way * sign * MANY * (u * u + 4.0 * r * sign * p)
            i.append(2.0 * p / (u + np.sqrt(np.maximum(inside, 0.0))))
        down = rate * r + scale * bent
        vertex = np.clip(0.5 * (rate + scale) * u / down, *i)
        here = high >= 0.0 if sign > 0.0 else low < 0.0
        for end in i:
            x = np.where(down < 0.0, vertex, end)
            value = base + rate * ((u - r * x) * x - ends[0]) + scale * (u - bent * x) * x
            size = np.abs(rate) * (u * np.abs(x) + r * x * x + np.abs(ends[0])) + np.abs(base)
            error = MANY * (size + scale * (u + bent * np.abs(x)) * np.abs(x))
            found.append((np.where(here & (value < np.inf), value - error, np.inf), error))
    values, errors = (np.concatenate(part, axis=1) for part in zip(*found, strict=True))
    best = values.argmin(axis=1)[:, None]
    return (np.take_along_axis(part, best, axis=1)[:, 0] for part in (values, errors))


def path(c: Certificate, stages: np.ndarray, taken: np.ndarray, rise: np.ndarray) -> Any:
    """Return the length of the shortest path that keeps the paths' budget, and its rounding, g.

    A way on from a state and gear costs so much where the budget is no higher than its room.
    """
    source, engine, kind = c["source"], c["move_engine"], c["move_gear"]
    (steps, gears, _), kept, limit = stages.shape, np.ones(c["dt"].size), 1.0
    if c["room"] >= 0:
        kept, limit = c["kept"][c["room"]], float(c["limit"][c["room"]])
    way, fits = np.sign(np.arange(gears) - np.arange(gears)[:, None]), False  # (from, to)
    for sign, kinds in KINDS.items():
        fits = fits | (np.isin(kind, kinds)[:, None, None] & (way == sign))  # (moves, from, to)
    ahead = [(np.zeros((gears, 1)), np.full((gears, 1), limit))] * int(c["states"])
    largest = np.abs(stages[np.isfinite(stages)]).max(initial=0.0)
    for t in range(steps - 1, -1, -1):
        here = stages[t][:, taken].T[:, None] + c["shift"][t][engine]
        here = np.where(fits, here + c["move_cost"][t][:, None, None], np.inf)[..., None]
        ahead, after = [], ahead
        for s in range(len(after)):
            costs, rooms = [], []
            for m in np.flatnonzero(source == s):
                cost, room = after[c["target"][m]]
                room = (room - rise[t, :, engine[m], None] + MANY * limit) / kept[t] * (1.0 + MANY)
                costs.append((here[m] + np.where(room >= 0.0, cost, np.inf)).reshape(gears, -1))
                rooms.append(np.tile(np.minimum(room, limit).ravel(), (gears, 1)))
            ahead.append(front(np.hstack(costs), np.hstack(rooms)))
            largest = max(largest, np.abs(ahead[s][0][np.isfinite(ahead[s][0])]).max(initial=0.0))
    state, gear = c["begin"]
    return float(ahead[state][0][gear].min()), 8.0 * UNIT * steps * float(largest)


def front(cost: np.ndarray, room: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Keep the ways on that no other one is cheaper and roomier than, (gears, ways).

    Of too many some are taken together, as cheap as the cheapest and as roomy as the roomiest.
    """
    order = np.argsort(cost, axis=1)
    cost, room = (np.take_along_axis(part, order, axis=1) for part in (cost, room))
    best = np.maximum.accumulate(np.where(np.isfinite(cost), room, -1.0), axis=1)
    used = best > np.column_stack((np.full(len(best), -1.0), best[:, :-1]))
    number, rank = used.sum(axis=1, keepdims=True), np.cumsum(used, axis=1) - 1
    rank = np.where(number > LABELS, rank * LABELS // np.maximum(number, 1), rank)
    cheapest = np.full((len(cost), min(max(number.max(), 1), LABELS)), np.inf)
    widest, at = np.full(cheapest.shape, -1.0), (np.nonzero(used)[0], rank[used])
    np.minimum.at(cheapest, at, cost[used])
    np.maximum.at(widest, at, room[used])
    return cheapest, widest


@QUIET
def lower_limit(c: Certificate) -> tuple[float, float]:
    """Return the bound of the certificate's multipliers, g, and the rounding taken off it.

    A schedule starts its engine in at most `starts` steps, or in more. A price p on these steps, of
    0 or more in the first branch and 0 or less in the second, is worth no more than p times them.
    """
    prices, found = c["start_price"], []
    if not (0 < prices.size < 3 and prices[0] >= 0.0 >= prices[-1]):
        raise ValueError("its branches leave schedules out")
    for k, (price, multipliers) in enumerate(zip(prices, c["multipliers"], strict=True)):
        bound, slack = branch(c, multipliers, price * (c["move_engine"] == 2))
        worth = price * (c["starts"] + k)
        found.append((bound - worth - MANY * abs(worth), slack + MANY * abs(worth)))
    return min(found)


def branch(c: Certificate, lam: np.ndarray, extra: np.ndarray) -> tuple[float, float]:
    """Return the bound of multipliers where moves cost so much more, and the rounding taken off.

    Every list counts over all SoC in reach at once, or, where `fine` says so, box after box, which
    is higher. Behind the last class stand the stages of stops that are open from some SoC on.
    """
    dt, price, count = c["dt"], c["relief"].copy(), c["count"]
    if (lam < 0.0).any() or (price < 0.0).any():
        raise ValueError("a multiplier is below zero")
    steps, gears, classes = count.shape
    for step in range(steps - 1, 0, -1):
        price[:, step - 1] += c["kept"][:, step] * price[:, step]
    price *= 1.0 - 4.0 * steps * UNIT
    owner = np.repeat(np.arange(steps), count.sum(axis=(1, 2)))
    cost = c["cost"] + (price[:, owner] * c["rise"]).sum(axis=0) * (1.0 - MANY)
    credit = float(c["limit"] @ c["relief"].sum(axis=1)) * (1.0 + 4.0 * steps * UNIT)
    rise, some = np.zeros(count.shape), count > 0
    if c["room"] >= 0:
        able = np.where(np.isfinite(cost), c["rise"][c["room"]], np.inf)
        rise[some] = np.minimum.reduceat(able, c["first"][some])
    change, reach = lam[:-1] - lam[1:], 2.0 * np.abs(c["power"]).max() / c["voltage"].min() * dt
    gone, left = (np.append(0.0, np.cumsum(part)) / c["capacity"] for part in (reach, reach[::-1]))
    low = np.maximum(c["soc_start"] - gone[:-1], c["soc_end"] - left[:0:-1]) - NEAR
    edges: Any = np.linspace(c["window"][0], c["window"][1], int(c["boxes"]) + 1)
    a = np.clip(np.searchsorted(edges, low, side="right") - 1, 0, edges.size - 2)
    b = np.clip(np.searchsorted(edges, c["soc_start"] + gone[:-1] + NEAR), a + 1, edges.size - 1)
    gated = c["opens"] > c["window"][0]
    ends = np.array([c["soc_start"], c["soc_end"], c["opens"][gated].min(initial=1.0) - NEAR])
    (z_start, z_end, z_open), z_top = energy(c, ends), float(np.abs(energy(c, edges)).max())
    change[0] = 0.0  # there z is known
    stages, rounding = np.full((steps, gears, classes + 1), np.inf), np.zeros(steps)
    every = np.concatenate((count, count[..., :1]), axis=2).ravel()
    lists = np.argsort(every, kind="stable")[np.count_nonzero(every == 0) :]  # long ones together
    each = np.where(c["fine"].ravel()[lists] > 0, (b - a)[lists // stages[0].size], 1)
    jobs = np.repeat(lists, each)
    number = np.arange(jobs.size) - np.repeat(np.cumsum(each) - each, each)
    for part in np.array_split(np.arange(jobs.size), jobs.size // 1_000 + 1):
        t, g, k = where = np.unravel_index(jobs[part], stages.shape)
        row, first = (t, g, k % classes), a[t] + number[part]
        order: Any = np.arange(every[jobs[part]].max())
        last = np.where(c["fine"][t, g, k] > 0, first + 1, b[t])
        box, some = boxes(c, edges[first], edges[last]), count[row][:, None]
        pieces = [np.minimum(end, some - 1) for end in (order, order + (order > 0))]
        pieces = [end + c["first"][row][:, None] for end in pieces]
        pieces = [
            np.where(cost[end] < np.inf, end, other)
            for end, other in zip(pieces, pieces[::-1], strict=True)
        ]
        powers, costs = ([values[end] for end in pieces] for values in (c["power"], cost))
        least, error = stage(powers, costs, lam[t + 1, None], dt[t, None], c["efficiency"], box)
        floor = np.where(k == classes, z_open, box[0])
        z = np.where(change[t] >= 0.0, np.maximum(box[0], floor), box[1])
        least += np.where(box[1] < floor, np.inf, change[t] * z - MANY * z_top * np.abs(change[t]))
        np.minimum.at(stages, where, least)
        np.maximum.at(rounding, t, np.where(np.isfinite(least), error, 0.0))
    taken = np.where(gated, classes, c["move_engine"])
    length, slack = path(c | {"move_cost": c["move_cost"] + extra}, stages, taken, rise)
    slack += MANY * (credit + (lam[1] + lam[-1]) * z_top)
    bound = length - credit - lam[1] * z_start + lam[-1] * z_end - slack
    return bound, slack + float((rounding + MANY * z_top * np.abs(change)).sum())
