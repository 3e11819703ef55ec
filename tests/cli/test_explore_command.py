"""`hybridopt explore`: starts, answers, ends; the server itself is tested in tests/output."""

import re
import signal
import subprocess
import sys
import urllib.request

import pytest
from commands import assert_one_sentence, run, solved


@pytest.mark.long
def test_it_serves_until_it_is_interrupted(tmp_path):
    solved(tmp_path)
    before = sorted(tmp_path.iterdir())
    command = [sys.executable, "-u", "-m", "hybridopt", "explore", str(tmp_path)]
    with subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    ) as done:
        try:
            line = done.stdout.readline()
            (address,) = re.findall(r"^(http://127\.0\.0\.1:\d+/) shows ", line)
            with urllib.request.urlopen(address, timeout=60) as answer:
                assert answer.status == 200 and b"Results in" in answer.read()
            done.send_signal(signal.SIGINT)
            assert done.wait(20) == 0
            assert done.stderr.read() == "ended\n"
        finally:
            done.kill()  # or a failure waits for it for ever
    assert sorted(tmp_path.iterdir()) == before


def test_it_wants_a_folder(tmp_path):
    (tmp_path / "file").write_text("")
    for wrong in ("absent", "file"):
        assert_one_sentence(run("explore", tmp_path / wrong), "is no folder")
