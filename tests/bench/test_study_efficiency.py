"""The benchmark of studies runs; times are never judged here."""

import json
import subprocess
import sys
from pathlib import Path

import pytest

SCRIPT = Path(__file__).with_name("study_efficiency.py")


@pytest.mark.long
def test_small_benchmark_of_studies(tmp_path):
    """That one and all workers give the same results is asserted by the script itself."""
    file = tmp_path / "values.json"
    subprocess.run(
        [sys.executable, str(SCRIPT), "--small", "--json", str(file)],
        check=True,
        capture_output=True,
        timeout=300,
    )
    values = json.loads(file.read_text())
    assert values["one_worker"]["digest"] == values["all_workers"]["digest"]
    assert values["file_bytes_per_task"] >= 8 * 20 and values["million_on_1000_cores"]["files"]
