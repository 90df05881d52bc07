"""A process that a test starts has one numeric thread, as `conftest.py` promises."""

import subprocess
import sys
from pathlib import Path

import pytest

THREADS = "import os, numpy as np; np.ones((300, 300)) @ np.ones((300, 300)); " \
          "print(len(os.listdir('/proc/self/task')))"


@pytest.mark.skipif(not Path("/proc/self/task").is_dir(), reason="threads are counted in /proc")
def test_a_process_has_one_thread():
    done = subprocess.run([sys.executable, "-c", THREADS], capture_output=True, text=True,
                          check=True)
    assert done.stdout == "1\n"
