"""Check a certificate: that its bound holds for its problem, and that its schedule costs so much.

Plain Python and NumPy, and nothing of the solver: this file repeats the theorem of dp/bound.py from
the arrays of the certificate alone. Where a number is rounded, `slack` says by how much at most.
"""

from typing import Any, NamedTuple

import numpy as np

UNIT = 2.0**-53  # relative rounding error of one operation
OPERATIONS = 100  # more than one stage cost takes, one after the other
NEAR = 1e-6  # SoC, how far beyond window and end a schedule may lie; a share of its cost
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


def prove(c: Certificate) -> Proved:
    """Return what a certificate proves.

    Raises
    ------
    ValueError
        The schedule breaks a rule of the problem, in words.
    """
    with np.errstate(all="ignore"):  # infinite costs, and numbers that no certificate should hold
        cost, soc = schedule_cost(c)
        bound, slack = lower_limit(c)
    if not np.isfinite(bound + slack):
        raise ValueError("its numbers are beyond all measure")
    return Proved(bound - slack, slack, cost, float(soc.min()), float(soc[-1]))


def battery(c: Certificate, name: str, soc: Any) -> Any:
    """Return a column of the battery's table at states of charge."""
    return np.interp(soc, c["battery_soc"], c[name])


def schedule_cost(c: Certificate) -> tuple[float, np.ndarray]:
    """Drive the schedule by the rules; return its cost, g, and SoC before each step and after."""
    steps, (state, gear), total = c["dt"].size, c["begin"], 0.0
    soc = np.full(steps + 1, float(c["soc_start"]))
    for t in range(steps):
        g, e, k, share = c["gear"][t], c["engine"][t], c["split"][t], c["share"][t]
        fits = (c["source"] == state) & (c["move_engine"] == e)
        fits &= np.isin(c["move_gear"], KINDS[int(np.sign(g - gear))])
        mixes = 0.0 < share <= 1.0 and k > 0  # the unpowered motor, choice 0, mixes with none
        if not fits.any() or not (share == 0.0 or mixes) or not 0 <= k < c["count"][t, g, e]:
            raise ValueError(f"step {t}: the schedule takes a choice that the problem lacks")
        move = int(np.argmax(fits))
        if soc[t] < c["opens"][move] - NEAR:
            raise ValueError(f"step {t}: the engine is stopped below the SoC from which it may be")
        first = c["first"][t, g, e] + k
        last = first + (1 if share > 0.0 and k + 1 < c["count"][t, g, e] else 0)
        power = (1.0 - share) * c["power"][first] + share * c["power"][last]
        paid = (1.0 - share) * c["cost"][first] + (share * c["cost"][last] if share else 0.0)
        total += paid + c["move_cost"][t, move] + c["shift"][t, e, gear, g]
        u = battery(c, "voltage", soc[t])
        r = battery(c, "discharge" if power > 0.0 else "charge", soc[t])
        inside = u * u - 4.0 * r * power
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


def edges_of(c: Certificate) -> np.ndarray:
    """Return the edges of the boxes that the SoC window is cut into."""
    low, high = c["window"]
    return np.asarray(np.linspace(low, high, int(c["boxes"]) + 1))


def boxes(c: Certificate, low: np.ndarray, high: np.ndarray) -> np.ndarray:
    """Return the battery at which a power takes the least from ranges of SoC, (6, ranges).

    Rows: energy at both ends, J, highest voltage, lowest resistances, and what the rise of the
    voltage takes off a resistance, per second.
    """
    nodes, top, longest = c["battery_soc"], float(c["power"].max()), float(c["dt"].max())
    inside = (nodes > low[:, None]) & (nodes < high[:, None])

    def extreme(name: str, sign: float) -> np.ndarray:
        ends = sign * np.maximum(sign * battery(c, name, low), sign * battery(c, name, high))
        within = np.where(inside, sign * c[name], -np.inf).max(axis=1)
        return np.asarray(sign * np.maximum(sign * ends, within))

    u_high, u_low, r_high = extreme("voltage", 1), extreme("voltage", -1), extreme("discharge", 1)
    r_low, r_charge = extreme("discharge", -1), extreme("charge", -1)
    reach = 2.0 * np.abs(c["power"]).max() / c["voltage"].min() * longest / c["capacity"]
    near = (nodes[1:] > low[:, None] - reach) & (nodes[:-1] < high[:, None] + reach)
    rise = np.where(near, np.diff(c["voltage"]) / np.diff(nodes), 0.0).max(axis=1).clip(0.0)
    worst, best = u_low**2 - 4.0 * r_high * top, u_high**2 - 4.0 * r_low * top
    apart = (u_high + np.sqrt(best.clip(0.0))) / (u_low + np.sqrt(worst.clip(0.0)))
    apart = np.maximum(np.where(worst > 0.0, apart, 2.0 * u_high / u_low), u_high / u_low)
    bend = 0.5 * rise / c["capacity"] * apart**2 * (1.0 + NEAR)
    return np.array([energy(c, low), energy(c, high), u_high, r_low, r_charge, bend])


def stage(c: Certificate, lists: tuple[Any, Any], terms: tuple[Any, Any, Any], box: Any) -> Any:
    """Return the least cost + weight * drain + change * z of lists in a range of SoC, g, (lists,).

    Between two listed choices cost is linear and drain convex in power, so their sum lies above its
    tangents at both ends. `lists` are power and cost, (lists, choices), `terms` weight, change and
    dt, (lists,), `box` (6, lists). Roots are rounded so that the result is too low.
    """
    power, cost = lists
    low, high, u, r, r_charge, bend = box[:, :, None]
    weight, change, dt = (term[:, None] for term in terms)
    share = np.where(power < 0.0, c["efficiency"], 1.0)
    ohm = np.where(power < 0.0, r_charge, r)
    slope = ohm - share * bend * dt
    if (slope < 0.0).any():
        raise ValueError("the battery's voltage rises too steeply for this proof")
    inside, spare = u * u - 4.0 * ohm * power, 16.0 * UNIT * u * u
    root, lean = np.sqrt(inside.clip(0.0) + spare), np.sqrt(np.maximum(inside - spare, spare))
    current = 2.0 * power / (u + root)
    value = cost + weight * dt * share * (power + slope * current**2)
    leasts = 1.0 + 2.0 * slope * current / np.where(power < 0.0, lean, root)
    mosts = 1.0 + 2.0 * slope * current / np.where(power < 0.0, root, lean)
    width = np.diff(power, axis=1)
    with np.errstate(invalid="ignore", divide="ignore"):
        rate, scale = np.diff(cost, axis=1) / width, weight * dt * share
        first = rate + (scale * np.where(np.c_[width, width[:, :1]] > 0.0, leasts, mosts))[:, :-1]
        last = rate + (scale * np.where(np.c_[width[:, :1], width] > 0.0, mosts, leasts))[:, 1:]
        past = (value[:, 1:] - value[:, :-1] - last * width) / (first - last)
        meets = (first * width < 0.0) & (last * width > 0.0)
        meets[:, :1] = False  # between the unpowered motor and a powered one there is nothing
        between = np.where(meets, value[:, :-1] + first * past, np.inf)
    least = np.minimum(value.min(axis=1), between.min(axis=1, initial=np.inf))
    return least + (change * np.where(change >= 0.0, low, high))[:, 0]


def path(c: Certificate, stages: np.ndarray) -> tuple[np.ndarray, float, float]:
    """Return gear and class along the shortest path, its length and the longest one looked at."""
    source, target, engine, kind = (c[n] for n in ("source", "target", "move_engine", "move_gear"))
    gears, steps = stages.shape[1], stages.shape[0]
    way, fits = np.sign(np.arange(gears) - np.arange(gears)[:, None]), False  # (from, to)
    for sign, kinds in KINDS.items():
        fits = fits | (np.isin(kind, kinds)[:, None, None] & (way == sign))  # (moves, from, to)
    ahead, rows = np.zeros((int(c["states"]), gears)), []
    for t in range(steps - 1, -1, -1):
        to = stages[t][:, engine].T + ahead[target] + c["move_cost"][t][:, None]
        every = np.where(fits, to[:, None, :] + c["shift"][t][engine], np.inf)
        best = every.min(axis=2)
        ahead = np.full_like(ahead, np.inf)
        np.minimum.at(ahead, source, best)
        rows.append((every, best))
    state, gear = c["begin"]
    length, chosen = ahead[state, gear], np.zeros((2, steps), dtype=np.int64)
    for t in range(steps if np.isfinite(length) else 0):
        every, best = rows[steps - 1 - t]
        move = int(np.argmin(np.where(source == state, best[:, gear], np.inf)))
        chosen[:, t] = np.argmin(every[move, gear]), engine[move]
        state, gear = target[move], chosen[0, t]
    return chosen, float(length), float(np.abs(ahead[np.isfinite(ahead)]).max(initial=0.0))


def lower_limit(c: Certificate) -> tuple[float, float]:
    """Return the bound of the certificate's multipliers, g, and the most that rounding adds to it.

    Every list first counts over all SoC in reach, which is lower; those on the shortest path get
    box after box, until it has no others. Each stage cost is less than so many operations away
    from the data, each sum of stages as many as there are steps.
    """
    dt, lam, edges = c["dt"], c["multipliers"], edges_of(c)
    if not (np.isfinite(lam).all() and (lam >= 0.0).all()):
        raise ValueError("a multiplier is below zero")
    weight, change = lam[1:], lam[:-1] - lam[1:]
    steps, gears, classes = c["count"].shape
    change[0], z_start, z_end = 0.0, *energy(c, np.array([c["soc_start"], c["soc_end"]]))
    reach = 2.0 * np.abs(c["power"]).max() / c["voltage"].min() / c["capacity"] * dt
    gone, left = np.cumsum(reach) - reach, np.cumsum(reach[::-1])[::-1]
    low = np.maximum(c["soc_start"] - gone, c["soc_end"] - left) - NEAR
    a = np.clip(np.searchsorted(edges, low, side="right") - 1, 0, edges.size - 2)
    b = np.clip(np.searchsorted(edges, c["soc_start"] + gone + NEAR), a + 1, edges.size - 1)
    narrow, wide = boxes(c, edges[:-1], edges[1:]), boxes(c, edges[a], edges[b])
    stages, known = np.full((steps, gears, classes), np.inf), c["count"] == 0
    order = np.arange(int(c["count"].max()))

    def fill(which: np.ndarray, exact: bool) -> None:
        for rows in np.array_split(np.flatnonzero(which), which.sum() // 20_000 + 1):
            t, place = (
                rows // (gears * classes),
                np.minimum(order, c["count"].ravel()[rows, None] - 1),
            )
            place = c["first"].ravel()[rows, None] + place
            lists, terms = (c["power"][place], c["cost"][place]), (weight[t], change[t], dt[t])
            parts = range(int((b - a)[t].max(initial=0)) if exact else 1)
            ranges = (
                narrow[:, np.minimum(a[t] + k, b[t] - 1)] if exact else wide[:, t] for k in parts
            )
            found = [stage(c, lists, terms, box) for box in ranges]
            stages.ravel()[rows] = np.min(found, axis=0) if found else np.inf

    fill(~known.ravel(), exact=False)
    while True:
        (gear, engine), length, largest = path(c, stages)
        on = np.zeros_like(known)
        on[np.arange(steps), gear, engine] = True
        here = stages[np.arange(steps), gear, engine][:, None, None]
        on |= (np.arange(classes) == engine[:, None, None]) & (stages <= here)
        on &= ~known
        if not on[np.arange(steps), gear, engine].any() or not np.isfinite(length):
            break
        fill(on.ravel(), exact=True)
        known |= on
    power, ohm = np.abs(c["power"]).max(), max(c["discharge"].max(), c["charge"].max())
    power += ohm * (2.0 * power / c["voltage"].min()) ** 2  # of a drain, at most
    size = np.abs(c["cost"][np.isfinite(c["cost"])]).max(initial=0.0) + weight * dt * power
    z_top = float(np.abs(narrow[:2]).max())
    slack = UNIT * (
        OPERATIONS * float(np.sum(size + np.abs(change) * z_top)) + 4.0 * steps * largest
    )
    slack += UNIT * OPERATIONS * (lam[1] + lam[-1]) * z_top
    return length - lam[1] * z_start + lam[-1] * z_end, slack
