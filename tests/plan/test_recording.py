"""What to record: each limit against its formula, both directions against each other, wrong wishes."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from poolwatch.cli.main import main
from poolwatch.model.errors import UsageError
from poolwatch.plan.amounts import amount, parse_amount, round_down, round_up
from poolwatch.plan.camera import Camera, abilities, conflicts, with_margin_of
from poolwatch.plan.recording import Limit, RecordingPlan, Rules, Wish, plan_recording

WISH = Wish(
    smallest_particle_mm=0.05,
    fastest_particle_mm_s=20_000,
    highest_frequency_hz=5000,
    lowest_frequency_hz=20,
    pool_length_mm=4,
    pool_width_mm=2,
    travel_speed_mm_s=100,
)


def limit(plan: RecordingPlan, quantity: str, word: str) -> Limit:
    (found,) = [one for one in plan.limits if one.quantity == quantity and word in one.reason]
    return found


def test_each_limit_is_its_formula() -> None:
    plan = plan_recording(WISH)
    assert limit(plan, "record rate", "frequency").value == 2.5 * 5000
    assert limit(plan, "record rate", "seen").value == pytest.approx(5 * 20_000 / 2)
    assert limit(plan, "record rate", "linked").value == pytest.approx(20_000 / (65 * plan.mm_per_px))
    assert limit(plan, "exposure", "streak").value == pytest.approx(0.5 * 0.05 / 20_000)
    assert limit(plan, "exposure", "frequency").value == pytest.approx(0.25 / 5000)
    assert limit(plan, "exposure", "smear").value == pytest.approx(0.5 * plan.mm_per_px / 100)
    assert limit(plan, "scale", "smallest").value == pytest.approx(0.05 / 3)
    assert limit(plan, "scale", "edge").value == pytest.approx(2 / 60)
    assert limit(plan, "clip length", "lowest").value == pytest.approx(0.5)
    assert plan.frames == math.ceil(plan.record_rate_hz * plan.clip_s)
    assert plan.memory_gb == pytest.approx(plan.width_px * plan.height_px * plan.frames / 1e9)


@pytest.mark.parametrize(
    ("length", "width", "odd"),
    [(4.0, 2.0, ()), (0.004, 0.002, ("length", "width")), (400.0, 2.0, ("length",))],
)
def test_a_pool_in_another_unit_than_meant_is_noted(
    length: float, width: float, odd: tuple[str, ...]
) -> None:
    notes = plan_recording(Wish(pool_length_mm=length, pool_width_mm=width)).notes
    assert [note.split(":")[0].removeprefix("pool ") for note in notes if "check its unit" in note] == list(
        odd
    )


def test_arithmetic_limit_of_linking() -> None:
    """10 m/s at 10 kHz is 1 mm a frame, 50 px at 20 µm/px (plain arithmetic)."""
    rules = Rules(step_px=50)
    wish = Wish(fastest_particle_mm_s=10_000, pool_length_mm=20, pool_width_mm=20)
    plan = plan_recording(wish, rules, mm_per_px=0.02)
    assert limit(plan, "record rate", "linked").value == pytest.approx(10_000)


def test_exposure_takes_a_tenth_off_the_highest_frequency() -> None:
    """Mean of a sinusoid over the exposure, against the reason that is printed."""
    plan = plan_recording(Wish(highest_frequency_hz=3210, pool_length_mm=4, pool_width_mm=2))
    t = limit(plan, "exposure", "frequency").value
    place = (np.arange(10_000) + 0.5) / 10_000 * t - t / 2
    assert np.cos(2 * np.pi * 3210 * place).mean() == pytest.approx(0.90, abs=0.001)


def test_binding_limit_is_named_and_changes_with_the_wish() -> None:
    plan = plan_recording(WISH)
    rate = plan.binding("record rate")
    assert rate is not None
    assert "fastest particle" in rate.reason
    slower = plan_recording(WISH.model_copy(update={"fastest_particle_mm_s": 1000.0}))
    rate = slower.binding("record rate")
    assert rate is not None
    assert "highest frequency" in rate.reason
    assert any("record rate: set by the fastest particle" in note for note in plan.notes)


@given(
    st.floats(0.01, 1),
    st.floats(100, 50_000),
    st.floats(100, 20_000),
    st.floats(0.5, 20),
    st.floats(0.5, 10),
    st.floats(1, 500),
)
def test_what_is_planned_meets_every_wish(
    d: float, v: float, f: float, length: float, width: float, travel: float
) -> None:
    wish = Wish(
        smallest_particle_mm=d,
        fastest_particle_mm_s=v,
        highest_frequency_hz=f,
        pool_length_mm=length,
        pool_width_mm=width,
        travel_speed_mm_s=travel,
    )
    plan = plan_recording(wish)
    camera = Camera(
        record_rate_hz=plan.record_rate_hz,
        width_px=plan.width_px,
        height_px=plan.height_px,
        mm_per_px=plan.mm_per_px,
        exposure_s=plan.exposure_s,
    )
    assert conflicts(camera, with_margin_of(camera, wish), plan) == ()


def test_a_camera_shows_what_its_figures_allow() -> None:
    camera = Camera(
        record_rate_hz=10_000, width_px=512, height_px=256, mm_per_px=0.02, exposure_s=5e-6, memory_gb=8
    )
    shown = {row.what: row.shown for row in abilities(camera, Wish(pool_length_mm=4, pool_width_mm=2))}
    assert shown["highest frequency"] == "4 kHz"
    assert shown["smallest particle"] == "60 µm"
    assert shown["fastest particle, sharp"] == "6 m/s"
    assert shown["fastest particle, seen"] == "3.12 m/s"
    assert shown["pixels across the pool"] == "100 px"
    assert shown["longest clip"] == amount(8e9 / (512 * 256 * 10_000), "s")


def test_a_fast_small_particle_in_a_long_exposure_is_a_streak(capsys: pytest.CaptureFixture[str]) -> None:
    sizes = ["--pool-length", "4mm", "--pool-width", "2mm", "--smallest-particle", "50um"]
    code = main(["plan", "recording", *sizes, "--fastest-particle", "20m/s", "--exposure", "100us"])
    printed = capsys.readouterr()
    assert code == 1
    assert (
        "a 50 µm particle at 20 m/s in a 100 µs exposure is a streak: it moves 2 mm, 40 of its diameters"
        in printed.out
    )
    assert "at most 1.2 µs would do" in printed.out
    assert printed.err.count("\n") == 1


@pytest.mark.parametrize(
    ("camera", "word"),
    [
        ({"record_rate_hz": 5000}, "12.5 kHz would do"),
        ({"mm_per_px": 0.04}, "16.7 µm/px would do"),
        ({"pixels_per_s": 1e9}, "Gpx/s"),
        ({"memory_gb": 1}, "that holds"),
        ({"exposure_s": 1e-3}, "does not fit between frames"),
        ({"width_px": 128, "height_px": 64}, "smaller margin would do"),
    ],
)
def test_each_wish_that_a_camera_cannot_meet_is_said(camera: dict[str, float], word: str) -> None:
    fixed = Camera(**camera)  # type: ignore[arg-type]
    wish = WISH.model_copy(update={"margin_mm": 20.0}) if "Hz" in word else WISH
    assert any(word in sentence for sentence in conflicts(fixed, wish, plan_recording(wish)))


def test_too_short_a_weld_is_said() -> None:
    wish = WISH.model_copy(update={"weld_length_mm": 30.0})
    (said,) = conflicts(Camera(), wish, plan_recording(wish))
    assert "there are 30 mm" in said


@pytest.mark.parametrize(
    ("arguments", "word"),
    [
        ("--pool-width 0", "above 0"),
        ("--pool-width 2furlong", "one of these units"),
        ("--pool-width 2 --lowest-frequency 5kHz --highest-frequency 1kHz", "must be below"),
        ("--pool-width 2 --interval 3", "--pilot"),
        ("--pool-width 2 --view 512", "width x height"),
        ("--pool-width 2 --particle-px 0", "particle_px"),
    ],
)
def test_wrong_wishes_are_refused_in_one_line(
    arguments: str, word: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["plan", "recording", "--pool-length", "4", *arguments.split()]) == 2
    assert word in capsys.readouterr().err


def test_amounts() -> None:
    assert parse_amount("20 m/s", "mm/s") == 20_000
    assert parse_amount("6m/min", "mm/s") == 100
    assert parse_amount("50µm", "mm") == 0.05
    assert amount(1.25e-6, "s") == "1.25 µs"
    assert amount(12_345, "px", 5) == "12,345 px"
    assert (round_up(12_500), round_down(1 / 60), round_up(30_000)) == (13_000, 0.016, 30_000)
    with pytest.raises(UsageError, match="finite amount above 0"):
        parse_amount("-1", "mm")
