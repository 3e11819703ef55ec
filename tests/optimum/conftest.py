"""Tests here draw their instances as those of the optimiser do."""

import sys
from pathlib import Path

sys.path.append(str(Path(__file__).parents[1] / "dp"))
