"""Memory is handed back while frames go through, not at each of them."""

from __future__ import annotations

from poolwatch.measure import memory


def test_it_is_handed_back_now_and_then(monkeypatch) -> None:
    times: list[int] = []
    monkeypatch.setattr(memory, "hand_back", lambda: times.append(passed))
    freed, passed = memory.FreedByFrames(), 0
    for _ in range(1000):
        passed += 64
        freed.passed(64)
    assert times == [20_032, 40_064, 60_096]
