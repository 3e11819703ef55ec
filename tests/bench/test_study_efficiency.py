"""The optimum of studies runs; times are never judged here."""

import json
import subprocess
import sys
from pathlib import Path

import pytest

SCRIPT = Path(__file__).with_name("study_efficiency.py")


@pytest.mark.long
def test_small_benchmark_of_studies(tmp_path):
    """That one and all workers give the same results is asserted by the script itself."""
    file = tmp_path / "figures.json"
    subprocess.run(
        [sys.executable, str(SCRIPT), "--small", "--json", str(file)],
        check=True,
        capture_output=True,
        timeout=300,
    )
    figures = json.loads(file.read_text())
    assert figures["one_worker"]["digest"] == figures["all_workers"]["digest"]
    assert figures["file_bytes_per_task"] >= 8 * 20 and figures["million_on_1000_cores"]["files"]
