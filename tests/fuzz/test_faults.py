"""A few kills, full disks and changing frames; hundreds by faults.py beside this."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

HERE = Path(__file__).parent


@pytest.mark.slow
@pytest.mark.skipif(os.name != "posix", reason="forks and limits of POSIX")
def test_kills_full_disks_and_changing_frames_leave_nothing_broken():
    paths = [str(HERE.parents[1]), str(HERE.parent), str(HERE)]
    counts = ["--kills", "2", "--limits", "2", "--changes", "2"]
    result = subprocess.run(
        [sys.executable, str(HERE / "faults.py"), *counts],
        env=os.environ | {"PYTHONPATH": os.pathsep.join(paths)},
        capture_output=True,
        text=True,
    )
    assert result.returncode == 0, result.stdout + result.stderr
    assert "6 runs, 0 faults" in result.stdout
