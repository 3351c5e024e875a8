"""The package is the command, too."""

from __future__ import annotations

import subprocess
import sys

import poolwatch


def test_python_m_poolwatch_is_the_command():
    done = subprocess.run(
        [sys.executable, "-m", "poolwatch", "--version"], capture_output=True, text=True, check=True
    )
    assert poolwatch.__version__ in done.stdout
