"""Length of clip: the interval reached on simulated series is the one promised."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from scipy.signal import lfilter

from poolwatch.cli.main import main
from poolwatch.model.errors import UsageError
from poolwatch.model.table import write_csv
from poolwatch.model.tables import FRAMES, SCORE
from poolwatch.plan.clip_length import (
    Memory,
    clip_length_for_index,
    clip_length_for_mean,
    clip_length_for_variation,
    correlation_time,
)
from poolwatch.plan.pilot import Z95, read_pilot
from poolwatch.plan.series import pilot_series
from poolwatch.stability import Series, StabilitySettings, level, stability_index, variation

RATE = 5000.0


def autoregression(
    *coefficients: float, noise: float = 0.0
) -> Callable[[np.random.Generator, int], np.ndarray]:
    def draw(rng: np.random.Generator, n: int) -> np.ndarray:
        steps = rng.standard_normal(n + 1500)
        pool = lfilter([1.0], [1.0, *(-c for c in coefficients)], steps)[1500:]
        return 3 + 0.05 * (pool + noise * rng.standard_normal(n))

    return draw


PROCESSES = {
    "white": autoregression(0.0),
    "red": autoregression(0.9),
    "red with measurement noise": autoregression(0.95, noise=2.0),
    "pool mode at 240 Hz": autoregression(2 * 0.97 * math.cos(2 * math.pi * 240 / RATE), -(0.97**2)),
}


def test_correlation_time_of_red_noise_is_the_published_one() -> None:
    """T_c = (1 + phi) / (1 - phi) frames: n_eff of an AR(1), Bartlett 1946; n = 1000, phi 0.8 gives 111.11."""
    for phi in (0.3, 0.5, 0.8, 0.9):
        memory = correlation_time(autoregression(phi)(np.random.default_rng(11), 40_000), RATE)
        assert 1000 / (memory.correlation_s * RATE) == pytest.approx(1000 * (1 - phi) / (1 + phi), rel=0.1)
        assert memory.square_correlation_s * RATE == pytest.approx((1 + phi**2) / (1 - phi**2), rel=0.1)


def test_frames_not_measured_do_not_change_the_correlation_time() -> None:
    rng = np.random.default_rng(4)
    values = autoregression(0.9)(rng, 20_000)
    whole = correlation_time(values, RATE)
    values[rng.random(20_000) < 0.2] = np.nan
    values[5000:7000] = np.nan
    holed = correlation_time(values, RATE)
    assert holed.correlation_s == pytest.approx(whole.correlation_s, rel=0.12)
    assert holed.clip_s == pytest.approx(np.isfinite(values).sum() / RATE)


@pytest.mark.slow
@pytest.mark.parametrize("name", PROCESSES)
def test_interval_of_a_mean_is_reached(name: str) -> None:
    """Ten pilots, 80 clips as long as each advises: means scatter as promised, 95 % lie within."""
    draw, rng, wanted = PROCESSES[name], np.random.default_rng(4321), 0.006 if name == "white" else 0.02
    missed = []
    for _ in range(10):
        plan = clip_length_for_mean(correlation_time(draw(rng, 12_000), RATE), wanted)
        frames = round(plan.clip_s * RATE)
        missed += [(draw(rng, frames).mean() - 3) / wanted for _ in range(80)]
    assert Z95 * np.std(missed) == pytest.approx(1, abs=0.15)
    assert np.mean(np.abs(missed) <= 1) == pytest.approx(0.95, abs=0.03)


@pytest.mark.parametrize("name", PROCESSES)
def test_interval_of_a_fluctuation_is_reached(name: str) -> None:
    draw, rng, wanted = PROCESSES[name], np.random.default_rng(654), 0.12
    true = float(np.std(draw(rng, 400_000)))
    missed = []
    for _ in range(8):
        plan = clip_length_for_variation(correlation_time(draw(rng, 12_000), RATE), wanted)
        frames = round(plan.clip_s * RATE)
        missed += [(draw(rng, frames).std() / true - 1) / wanted for _ in range(80)]
    assert Z95 * np.std(missed) == pytest.approx(1, abs=0.15)


def test_the_range_of_an_advice_holds_the_right_length_as_often_as_a_standard_uncertainty_should() -> None:
    draw, rng = PROCESSES["red"], np.random.default_rng(77)
    right = (Z95 * 0.05 / (1 - 0.9) / 0.02) ** 2 / RATE
    plans = [clip_length_for_mean(correlation_time(draw(rng, 6000), RATE), 0.02) for _ in range(60)]
    assert 0.55 <= np.mean([plan.low_s <= right <= plan.high_s for plan in plans]) <= 0.95


def score(rng: np.random.Generator, seconds: float) -> dict[str, object]:
    """A score row of an invented clip, by the index and interval that poolwatch itself gives."""
    parts = {}
    n = round(seconds * RATE)
    length = Series("pool_length", autoregression(0.9)(rng, n), RATE, "mm")
    width = Series("pool_width", autoregression(0.8)(rng, n) - 1, RATE, "mm")
    motion = Series("agitation", np.abs(autoregression(0.5)(rng, n)) / 20, RATE, "")
    parts = {"pool_length": variation(length), "pool_width": variation(width), "agitation": level(motion)}
    found = stability_index(parts, StabilitySettings())
    return {
        "clip": f"{seconds}.mkv",
        "beam_shape": "crescent",
        "stability_index": found.value,
        "stability_index_low": found.low,
        "stability_index_high": found.high,
        "steady_start_s": 0.0,
        "steady_end_s": seconds,
    }


@pytest.mark.long
@pytest.mark.slow
@pytest.mark.parametrize("factor", [3, 8])
def test_interval_of_the_index_is_reached_on_clips_as_long_as_advised(factor: int) -> None:
    rng = np.random.default_rng(99)
    pilot = read_pilot(SCORE.frame([score(rng, 0.6) for _ in range(8)]))
    half = float(pilot.half_width.mean())
    wanted = half / math.sqrt(factor) * pilot.index * (100 - pilot.index) / 100
    plan = clip_length_for_index(pilot, wanted)
    assert plan.clip_s == pytest.approx(0.6 * factor, rel=0.15)
    rows = [score(rng, plan.clip_s) for _ in range(8)]
    reached = np.mean(
        [(float(r["stability_index_high"]) - float(r["stability_index_low"])) / 2 for r in rows]
    )  # type: ignore[arg-type]
    assert reached == pytest.approx(wanted, rel=0.15)


def test_a_wish_below_fifteen_correlation_times_is_raised() -> None:
    plan = clip_length_for_mean(Memory(3, 0.1, 0.01, 0.005, 10), 0.2)
    assert plan.clip_s == pytest.approx(0.15)
    assert "raised from" in plan.notes[0]


def test_a_pilot_too_short_to_plan_from_says_so() -> None:
    memory = correlation_time(autoregression(0.98)(np.random.default_rng(6), 600), RATE)
    assert any("too short to plan from" in note for note in clip_length_for_mean(memory, 0.01).notes)


def test_wrong_wishes() -> None:
    memory = Memory(3, 0.1, 0.01, 0.005, 10)
    with pytest.raises(UsageError, match="must be above 0"):
        clip_length_for_mean(memory, 0)
    with pytest.raises(UsageError, match="between 0 and 1"):
        clip_length_for_variation(memory, 1.5)
    with pytest.raises(UsageError, match="too few"):
        correlation_time(np.arange(20.0), RATE)
    with pytest.raises(UsageError, match="does not move"):
        correlation_time(np.full(200, 3.0), RATE)


def test_series_of_a_measured_clip(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    rng = np.random.default_rng(1)
    values = autoregression(0.9)(rng, 5000)
    status = np.array(["ok"] * 5000, dtype=object)
    status[100] = "hidden"
    write_csv(
        tmp_path / "frames.csv",
        FRAMES.frame(
            {
                "frame": range(5000),
                "time_s": np.arange(5000) / RATE,
                "status": status,
                "pool_length_mm": values,
            }
        ),
    )
    write_csv(
        tmp_path / "score.csv", SCORE.frame([{"clip": "a", "steady_start_s": 0.01, "steady_end_s": 0.8}])
    )
    series, rate = pilot_series(tmp_path, "pool_length_mm")
    assert rate == pytest.approx(RATE)
    assert len(series) == 3951
    assert np.isnan(series[50])
    assert main(["plan", "welds", "--measured", str(tmp_path), "--mean-interval", "0.01"]) == 0
    assert "independent values" in capsys.readouterr().out
    assert (
        main(["plan", "welds", "--measured", str(tmp_path), "--mean-interval", "0.01", "--signal", "colour"])
        == 2
    )
    assert "the series are pool_length_mm" in capsys.readouterr().err
    assert main(["plan", "welds", "--measured", str(tmp_path / "no"), "--mean-interval", "0.01"]) == 1
