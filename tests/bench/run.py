"""Benchmarks of the optimiser: ratios of times within one run, growth, memory, machine limits.

    python tests/bench/run.py [--small] [--readme] [--json FILE]

`--small` takes small instances and few repeats; `--readme` writes the tables into the guide on
speed; `--json` writes all figures to a file. Exit code 1 when values that must agree do
not; times never count. QuantEcon and CasADi are compared if installed.
"""

import argparse
import dataclasses
import json
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from figures import Figures, full_plan, measured, small_plan
from tables import developers_block, readme_block, target_table, write_block

ROOT = Path(__file__).parents[2]


def main() -> int:
    """Measure, print, write; return the exit code."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--small", action="store_true", help="small instances, few repeats")
    parser.add_argument("--readme", action="store_true", help="write the guide on speed")
    parser.add_argument("--json", type=Path, metavar="FILE", help="write all figures to FILE")
    options = parser.parse_args()
    if options.small and options.readme:
        parser.error("--readme is for the full run; leave --small out")
    figures = measured(small_plan() if options.small else full_plan(), _tell)
    shown = [readme_block(figures), developers_block(figures)]
    shown += [] if options.small else [target_table(figures)]
    sys.stdout.write("\n\n".join(shown) + "\n")
    if options.json:
        options.json.write_text(json.dumps(dataclasses.asdict(figures), indent=1))
    wrong = figures.wrong()
    for line in wrong:
        sys.stderr.write(f"wrong: {line}\n")
    if options.readme and not wrong:
        _write_documents(figures)
    return 1 if wrong else 0


def _tell(stage: str) -> None:
    sys.stderr.write(f"measuring: {stage}\n")


def _write_documents(figures: Figures) -> None:
    blocks = readme_block(figures), developers_block(figures)
    write_block(ROOT / "hybridopt" / "guide" / "speed.md", "\n\n".join(blocks))


if __name__ == "__main__":
    sys.exit(main())
