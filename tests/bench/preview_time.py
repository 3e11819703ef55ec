"""How long the C code of the predictive controller takes for one decision.

    python tests/bench/preview_time.py [FILE]

FILE holds preview maps, as `hybridopt distil --kind preview` writes them; left out, they are made
from the WLTC for the full hybrid, which takes minutes. The code is compiled with -O2 and steps
through the UDDS as it would in a vehicle that follows it, told 10 s ahead of it if the maps look so
far; the time is that of the step alone, least and median of several drives.
"""

import re
import subprocess
import sys
import tempfile
from pathlib import Path
from statistics import median

import numpy as np

from hybridopt import distil_preview, read_cycle, read_driveline, read_preview
from hybridopt.controllers.foreseen import exact
from hybridopt.exports.files import write_c
from hybridopt.physics.demand import wheel_demand

DRIVES = 21
MAIN = """
#include <stdio.h>
#include <stdlib.h>
#include <time.h>
#include "NAME.h"
enum { WIDTH = 2 * NAME_INTERVALS + 3 };
int main(int argc, char **argv)
{
    FILE *file = fopen(argv[1], "rb");
    const long steps = atol(argv[2]), drives = atol(argv[3]);
    float *all = malloc((size_t)(steps * WIDTH) * sizeof *all);
    static NAME_state state;
    NAME_inputs in;
    NAME_command out;
    long i, k, t, on = 0;
    if (argc != 4 || fread(all, sizeof *all, (size_t)(steps * WIDTH), file) == 0) {
        return 1;
    }
    for (i = 0; i < drives; ++i) {
        struct timespec a, b;
        NAME_init(&state, false, 1);
        in.actual_engine_on = false;
        in.actual_gear = 1;
        in.intervals = NAME_INTERVALS;
        in.dt = 1.0F;
        clock_gettime(CLOCK_MONOTONIC, &a);
        for (t = 0; t < steps; ++t) {
            const float *row = all + t * WIDTH;
            for (k = 0; k < NAME_INTERVALS + 2; ++k) {
                in.speed[k] = row[k];
            }
            for (k = 0; k < NAME_INTERVALS + 1; ++k) {
                in.grade[k] = row[NAME_INTERVALS + 2 + k];
            }
            in.soc = 0.55F + 0.1F * (float)(t % 200) / 200.0F;
            NAME_step(&state, &in, &out);
            in.actual_engine_on = out.engine_on;
            in.actual_gear = out.gear;
            on += out.engine_on;
        }
        clock_gettime(CLOCK_MONOTONIC, &b);
        printf("%.9f\\n", (double)(b.tv_sec - a.tv_sec) + 1e-9 * (double)(b.tv_nsec - a.tv_nsec));
    }
    return on == 0;
}
"""


def main() -> int:
    """Measure and print; return the exit code."""
    driveline = read_driveline("full")
    if len(sys.argv) > 1:
        content = read_preview(sys.argv[1])
    else:
        content = distil_preview([read_cycle("wltc_class3b")], driveline).content
    demand = wheel_demand(driveline.vehicle, read_cycle("udds"))
    coming = exact(demand, content.preview.step, content.preview.intervals)
    columns = (demand.speed_start[:, None], coming.speeds, demand.grade[:, None], coming.grades)
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        header, source = write_c(content, folder)
        text = MAIN.replace("NAME_INTERVALS", f"{source.stem.upper()}_INTERVALS")
        (folder / "main.c").write_text(text.replace("NAME", source.stem))
        np.hstack(columns).astype(np.float32).tofile(folder / "drive")
        command = ["cc", "-O2", "-D_POSIX_C_SOURCE=199309L", "-std=c99", "main.c", source.name]
        subprocess.run([*command, "-o", "main"], cwd=folder, check=True)
        call = [folder / "main", folder / "drive", str(demand.steps), str(DRIVES)]
        done = subprocess.run(call, check=True, capture_output=True, text=True)
        stated = int(re.search(r"_OPERATIONS (\d+)", header.read_text())[1])
        size = source.stat().st_size
    times = sorted(1e6 * float(line) / demand.steps for line in done.stdout.split())
    sys.stdout.write(
        f"{content.preview.intervals} intervals, {content.gears} gears, "
        f"{content.known.numbers} numbers, source {size / 1e3:.0f} kB\n"
        f"one decision: {times[0]:.1f} us at least, {median(times):.1f} us in the median of "
        f"{DRIVES} drives\n"
        f"at most {stated} operations by the header\n"
    )
    return 0


if __name__ == "__main__":
    sys.exit(main())
