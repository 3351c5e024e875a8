"""A process of a trial that has nothing to do helps another with its clip."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from poolwatch.trial.process_pool import ProcessPool
from tests.measure import helped


@pytest.mark.long
@pytest.mark.often("npy")
@pytest.mark.slow
@pytest.mark.parametrize("form", ["npy", "avi-mjpeg"])
def test_pieces_measured_by_idle_processes_change_no_digit(form: str, tmp_path: Path) -> None:
    path = helped.drawn("glowing", form, tmp_path)
    one = helped.columns(helped.case_of(path).gathered())
    with ProcessPool(3) as pool:
        # The second clip is measured by processes that were helpers before.
        for count, names in ((2, ["a"]), (1, ["b", "c"])):
            tasks = [(path, tmp_path / f"{name}.npz", count) for name in names]
            events = list(pool(helped.task, tasks))
            assert sum(event.kind == "done" for event in events) == len(names), events
            for _, out, _ in tasks:
                with np.load(out) as found:
                    assert found["helpers"] >= count
                    for name, column in one.items():
                        np.testing.assert_array_equal(column, found[name], err_msg=name)
        assert len(pool._at) == 3
