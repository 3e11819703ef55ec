"""Write the table of the guide `gpu` from what gpu.py measured.

    python tests/bench/gpu_table.py FOLDER

FOLDER holds files named for their parts, such as end_to_end.json; rows of others are left out.
"""

import json
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from tables import write_block

GUIDE = Path(__file__).parents[2] / "hybridopt" / "guide" / "gpu.md"
KINDS = {"shared": "shared points", "own": "own points"}
PARTS = ("prepare", "sweep", "land", "prove")


def rows(found: dict) -> list[tuple[str, str]]:
    """Return the rows of the table: what was measured, and the figure."""
    made = []
    if part := found.get("sweep"):
        fastest = max(row["problems_a_minute"] for row in part["shapes"].values())
        made.append(("sweep alone, problems a minute", f"{fastest:,.0f}"))
    for kind, words in KINDS.items():
        if part := found.get("end_to_end", {}).get(kind):
            made += end_to_end(part, words)
    if part := found.get("limit"):
        share = 100.0 * part["share_of_evaluations"], 100.0 * part["share_of_bandwidth"]
        made.append(("sweep: share of the rate of bare split evaluations, %", f"{share[0]:.1f}"))
        made.append(("sweep: share of the memory bandwidth, %", f"{share[1]:.1f}"))
    if part := found.get("variants"):
        audited = f"{part['audited']} / {len(part['refused'])} / {part['above']:.1e}"
        made.append(("random variants compared with the CPU's", f"{part['compared']:,}"))
        ends = f"{part['lowest']:.1e} / {part['highest']:.1e}"
        made.append(("their cost over the CPU's, relative, lowest / highest", ends))
        made.append(("the same, mean of its size", f"{part['mean']:.1e}"))
        made.append(("bounds above the CPU's cost", f"{part['bounds_above_cost']}"))
        words = "certificates checked / refused / bound over the checker's, relative, at most"
        made.append((words, audited))
    for part in (part for name, part in sorted(found.items()) if name.startswith("cpu")):
        minute = f"{part['a_minute']:,.1f}"
        made.append((f"the CPU beside it, {part['cores']} cores: with bound, a minute", minute))
    if part := found.get("training"):
        for what, words in (("copies", "copies of drives solved"), ("drives", "drives swept")):
            times = [part[place][f"{what}_s"] for place in ("device", "cpu")]
            name = f"training: {part['device'][what]} {words}, s, device / CPU"
            made.append((name, f"{times[0]:.1f} / {times[1]:.1f}"))
    if part := found.get("study"):
        made.append((f"study, s for {part['count']:,} results", f"{part['whole_s']:,.0f}"))
        made.append(("killed and resumed: the same digest", "yes" if part["same"] else "no"))
    return made


def end_to_end(part: dict, words: str) -> list[tuple[str, str]]:
    """Return the rows of a kind of variants."""
    gaps = " / ".join(f"{gap:.3g}" for gap in part["gap_percent"])
    times = " / ".join(f"{part[f'{name}_ms_each']:.2g}" for name in PARTS)
    host = " / ".join(f"{time:.2g}" for time in part["host_ms_each"].values())
    return [
        (f"{words}: schedule and bound, a minute", f"{part['problems_a_minute']:,.0f}"),
        (f"{words}: schedule alone, a minute", f"{part['without_bound_a_minute']:,.0f}"),
        (f"{words}: without an answer, of {part['count']:,}", f"{part['unanswered']}"),
        (f"{words}: gap, %, least / median / 90 / 99 % / most", gaps),
        (f"{words}: ms each to prepare / sweep / land / prove", times),
        (f"{words}: ms each of the host to state / lay out / send", host),
    ]


def main() -> None:
    """Write the table."""
    files = Path(sys.argv[1]).glob("*.json")
    found = {path.stem: json.loads(path.read_text(encoding="utf-8")) for path in files}
    device = next(part["device"] for part in found.values() if "device" in part)
    lines = [f"| {device} | |", "| --- | ---: |", *(f"| {a} | {b} |" for a, b in rows(found))]
    write_block(GUIDE, "\n".join(lines))


if __name__ == "__main__":
    main()
