"""The measuring code is compiled once, before the workers of the test run would each do it."""

from __future__ import annotations

import pytest


def pytest_configure(config: pytest.Config) -> None:
    if hasattr(config, "workerinput") or config.option.collectonly:
        return
    from poolwatch.measure import compile_kernels, is_compiled

    if not is_compiled():
        compile_kernels()
