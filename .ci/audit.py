"""Known faults of the installed packages, as far as the index tells them: ``python .ci/audit.py PYTHON``.

PYTHON is the interpreter whose packages are looked at. pip-audit is put into an environment of its own, for it is no
part of the tests. Ends with 1 where a fault is known; where nothing can be learnt it says so and ends with 0.
"""

from __future__ import annotations

import json
import subprocess
import sys
import tempfile
import venv
from pathlib import Path
from typing import Any

_PATIENCE_S = 180


def verdict(report: dict[str, Any]) -> tuple[bool, str]:
    """Whether all is well, and a line of words, from pip-audit's JSON."""
    packages = report["dependencies"]
    told = [package for package in packages if "skip_reason" not in package]
    bad = [package for package in told if package["vulns"]]
    if bad:
        words = ", ".join(
            f"{p['name']} {p['version']} ({', '.join(v['id'] for v in p['vulns'])})" for p in bad
        )
        return False, f"audit: known faults in {words}"
    if not told:
        return (
            True,
            f"audit skipped: the index tells nothing of the faults of any of {len(packages)} packages",
        )
    return (
        True,
        f"audit: no known fault in {len(told)} of {len(packages)} packages; the index does not tell of the others",
    )


def main(python: str) -> int:
    """Audit the packages of an interpreter."""
    with tempfile.TemporaryDirectory() as folder:
        try:
            venv.create(folder, with_pip=True)
            tool = Path(folder) / "bin" / "python"
            where = "import sysconfig; print(sysconfig.get_paths()['purelib'])"
            site = subprocess.run(
                [python, "-c", where], check=True, capture_output=True, text=True
            ).stdout.strip()
            install = [tool, "-m", "pip", "install", "--quiet", "pip-audit"]
            subprocess.run(install, check=True, capture_output=True, timeout=_PATIENCE_S)
            report = Path(folder) / "report.json"
            subprocess.run(
                [tool, "-m", "pip_audit", "--path", site, "--format", "json", "--output", report,
                 "--progress-spinner", "off", "--timeout", "15"],
                check=False, capture_output=True, timeout=_PATIENCE_S,
            )  # fmt: skip
            good, words = verdict(json.loads(report.read_text(encoding="utf-8")))
        except (OSError, subprocess.SubprocessError, ValueError) as error:
            good, words = True, f"audit skipped: pip-audit cannot be had or ran into {type(error).__name__}"
    print(words)
    return int(not good)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1]))
