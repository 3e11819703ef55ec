"""Time forward run and bound on a device at one launch shape; run by gpu.py for each of several.

python tests/bench/gpu_shape.py LAND_THREADS,LAND_BLOCKS,PROVE_THREADS,PROVE_BLOCKS FILE
"""

import json
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from hybridopt.dp import device_layout


def main() -> None:
    """Set the shape before kernels are made with it, then measure."""
    shape, file = sys.argv[1:]
    numbers = [int(number) for number in shape.split(",")]
    device_layout.LAND_THREADS, device_layout.LAND_BLOCKS = numbers[:2]
    device_layout.PROVE_THREADS, device_layout.PROVE_BLOCKS = numbers[2:]
    import gpu

    Path(file).write_text(json.dumps(gpu.one_shape()))


if __name__ == "__main__":
    main()
