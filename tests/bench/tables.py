"""Figures as Markdown, and the marked blocks of the documents that hold them."""

import os
import re
from pathlib import Path

from figures import GB, Figures
from libraries import Skipped
from limits import Limits
from stages import BOUND, Growth
from timing import Timing

BEGIN, END = "<!-- bench -->", "<!-- /bench -->"


def table(head: list[str], rows: list[list[str]]) -> str:
    """Return a Markdown table; all columns but the first are figures."""
    lines = [head, ["---"] + ["---:"] * (len(head) - 1), *rows]
    return "\n".join("| " + " | ".join(line) + " |" for line in lines)


def ratio(value: float) -> str:
    """Return a ratio with two or three significant digits."""
    return f"{value:.0f}" if value >= 99.5 else f"{value:.3g}" if value >= 10 else f"{value:.2f}"


def sweep_table(timings: list[Timing]) -> str:
    """Return the time of each sweep over that of the default one."""
    base = timings[-1].median
    rows = [
        [t.name, ratio(t.median / base), str(len(t.seconds)), t.spread]
        for t in (*timings[:-1], timings[-1])
    ]
    return table(["backward sweep", "time", "repeats", "spread"], rows)


def numpy_table(figures: Figures) -> str:
    """Return the times of the NumPy sweeps over ours, and over a whole solve without bound."""
    rows: dict[str, list[str]] = {}
    for name, _, factor in figures.ratios():
        rows.setdefault(name, []).append(ratio(factor))
    return table(
        ["vectorised sweep", "time over our sweep's", "over a whole solve's"],
        [[name, *factors] for name, factors in rows.items()],
    )


def growth_table(growths: list[Growth], whole: Timing) -> str:
    """Return times of solves over each size, relative to the default solve with its bound."""

    def times(seconds: list[float]) -> str:
        return ", ".join(ratio(s / whole.median) for s in seconds)

    rows = [
        [
            f"{g.axis} {', '.join(f'{n:,}' for n in g.sizes)}".replace(", ", " / "),
            times(g.solve).replace(", ", " / "),
            f"{g.solve_exponent:.2f}",
            times(g.bound).replace(", ", " / "),
            f"{g.bound_exponent:.2f}",
        ]
        for g in growths
    ]
    return table(["over", "solve", "exponent", "bound", "exponent"], rows)


def peak_table(peaks: dict[str, float]) -> str:
    """Return peak memories."""
    return table(["peak memory", "GB"], [[name, f"{b / GB:.2f}"] for name, b in peaks.items()])


def library_lines(figures: Figures) -> str:
    """Return a line for every library."""
    lines = []
    for item in figures.libraries:
        if isinstance(item, Skipped):
            lines.append(f"- {item.library}: left out ({item.reason}).")
        else:
            factor = ratio(item.theirs / item.ours)
            lines.append(
                f"- {item.library}: {factor} times our time; {item.agreement}; {item.task}."
            )
    return "\n".join(lines)


def stage_table(timings: list[Timing]) -> str:
    """Return each stage's share of the whole solve."""
    whole = timings[-1].median
    rows = [[t.name, f"{100.0 * t.median / whole:.1f} %", t.spread] for t in timings]
    return table(["stage", "share", "spread"], rows)


def limit_table(limits: Limits) -> str:
    """Return the sweep's rates beside the machine's, one thread."""

    def row(name: str, amount: float, unit: str, share: str) -> list[str]:
        return [name, f"{amount / 1e9:.2f} {unit}", share]

    rate, traffic = limits.rate, limits.traffic / limits.pruned
    rows = [
        row("copying memory, read and written", limits.bandwidth, "GB/s", ""),
        row("square root and division, vectorised", limits.roots, "G/s", ""),
        row("interpolation with gathers", limits.gathers, "G/s", ""),
        row(
            "sweep without pruning, all points: point-splits evaluated",
            rate,
            "G/s",
            f"{rate / limits.roots:.0%} of roots, {rate / limits.gathers:.0%} of gathers",
        ),
        row(
            "default sweep: point-splits settled",
            limits.effective_rate,
            "G/s",
            f"{limits.evaluated:.1%} of them evaluated",
        ),
        row(
            "default sweep: value written, points read",
            traffic,
            "GB/s",
            f"{traffic / limits.bandwidth:.1%} of copying",
        ),
    ]
    return table(["one thread", "rate", "share"], rows)


def readme_block(figures: Figures) -> str:
    """Return the section on speed of its guide."""
    whole = figures.stages[-1]
    bound = next(t.median for t in figures.stages if t.name == BOUND)
    return "\n\n".join(
        [
            "## Speed",
            f"Written by `python tests/bench/run.py --readme`, medians of one run: "
            f"{figures.machine}; {figures.instance}. The solve takes {whole.median - bound:.2f} s "
            f"once the kernels are compiled, and its bound {bound:.2f} s. Times below are ratios "
            "within that run.",
            sweep_table(figures.sweeps),
            f"1 is the default sweep. All sweeps agree to {figures.difference:.0e} (relative).",
            numpy_table(figures),
            growth_table(figures.growths, whole),
            "1 is the default solve with its bound; an exponent is that of time over size.",
            peak_table(figures.peaks),
            "Every row contains the idle process, which has only imported the package.",
            library_lines(figures),
        ]
    )


def developers_block(figures: Figures) -> str:
    """Return the section on where the time goes, of the same guide."""
    limits = figures.limits
    return "\n\n".join(
        [
            "## Where the time goes",
            f"Written by `python tests/bench/run.py --readme`, medians of one run: "
            f"{figures.machine}; {figures.instance}.",
            stage_table(figures.stages),
            "The stages are timed one by one, so their shares need not add up to 100 %.",
            limit_table(limits),
            "A point-split is one admissible split at one SoC point; the problem has "
            f"{figures.point_splits / 1e6:,.0f} million, and each takes a square root, a division "
            "and an interpolation. The inner loop reads neighbours of a shifted row in place of "
            "gathers, so it may beat the gather limit. At the rate without pruning, what pruning "
            f"leaves would take {limits.evaluating:.0%} of the default sweep's time; the rest "
            "finds out what can be left out, and chooses gear and engine state.",
        ]
    )


def target_table(figures: Figures) -> str:
    """Return the targets of the default problem and whether they are met."""
    targets = [[name, value, "yes" if met else "no"] for name, value, met in figures.targets()]
    return table(["target", "measured", "met"], targets)


def write_block(path: Path, block: str) -> None:
    """Put a block between the markers of a document.

    Raises
    ------
    ValueError
        The document has not exactly one pair of markers.
    """
    document = path.read_text(encoding="utf-8")
    pattern = re.compile(f"{re.escape(BEGIN)}.*?{re.escape(END)}", re.DOTALL)
    if len(pattern.findall(document)) != 1:
        raise ValueError(f"{path.name} needs one line {BEGIN} and, below it, one line {END}")
    filled = f"{BEGIN}\n{block}\n{END}"
    fresh = path.with_suffix(".new")
    fresh.write_text(pattern.sub(lambda _: filled, document), encoding="utf-8")
    os.replace(fresh, path)
