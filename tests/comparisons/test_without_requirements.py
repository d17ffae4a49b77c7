"""The command line of a Python that has none of the requirements: one line that says what to do."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]


def test_a_python_without_the_requirements_is_told_in_one_line():
    command = [sys.executable, "-I", "-S", "manage.py", "verify", "none"]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, timeout=60)
    assert done.returncode == 2
    (line,) = done.stderr.splitlines()
    assert "make demo" in line and ".venv/bin/activate" in line
