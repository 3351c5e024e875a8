"""What a measurement of glowing footage loads before it begins: none of the kernels that lit footage needs."""

from __future__ import annotations

import subprocess
import sys


def test_glowing_footage_loads_no_kernel_of_lit_footage() -> None:
    program = (
        "import sys, poolwatch; poolwatch.measure_clip; "
        "print(*sorted(name for name in sys.modules if name.startswith('poolwatch.pool.illuminated')), "
        "*[name for name in ('pandas', 'scipy.stats', 'matplotlib') if name in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", program], check=True, capture_output=True, text=True)
    assert done.stdout.split() == ["poolwatch.pool.illuminated", "poolwatch.pool.illuminated.facts"]
