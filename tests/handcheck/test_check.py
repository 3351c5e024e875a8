"""Tool minus hand from marks with a known error: bias and limits recovered, worst moments apart."""

from __future__ import annotations

import numpy as np
import pytest

from poolwatch.handcheck.check import hand_check, record
from poolwatch.handcheck.marks import read_marks
from poolwatch.handcheck.sampling import Wanted, draw_frames
from poolwatch.model.errors import MeasurementError
from poolwatch.show.report.checked import checked_headline, checked_rows, checked_sentences


def checked(clip, draw, rows, written, tmp_path):
    files = [written(tmp_path / f"{n}.csv", part) for n, part in enumerate(rows)]
    return hand_check(clip.measurement, read_marks(files, clip.measurement))


@pytest.mark.slow
def test_bias_and_limits_are_inside_their_intervals_as_often_as_they_should(
    invented, written, tmp_path, many
):
    runs = 200 if many else 40
    inside = {"bias": [], "limits": []}
    for seed in range(runs):
        rng = np.random.default_rng(10_000 + seed)
        bias, tool, hand = rng.uniform(-1, 1, 2), rng.uniform(0.1, 1), rng.uniform(0.2, 1.5)
        clip = invented(seed=seed, bias=tuple(bias), tool_sd=tool)
        draw = draw_frames(clip.measurement, seed)
        found = checked(clip, draw, [clip.marked(draw, rng, sd=hand)], written, tmp_path)
        # An extent has two marks, and the hand errs at each.
        reach = 1.96 * np.hypot(tool, np.sqrt(2) * hand)
        for true, name in zip(bias, ("length", "width"), strict=True):
            got = found.quantities[name].agreement
            inside["bias"].append(got.bias.low <= true <= got.bias.high)
            inside["limits"].append(got.lower.low <= true - reach <= got.lower.high)
            inside["limits"].append(got.upper.low <= true + reach <= got.upper.high)
    # Of few runs three standard deviations.
    low, high = (0.93, 0.97) if many else (0.85, 1.0)
    assert low <= np.mean(inside["bias"]) <= high
    assert low <= np.mean(inside["limits"]) <= high


@pytest.mark.parametrize(
    ("direction", "stretch"), [(0.0, None), (37.0, None), (-120.0, (1.2, 0.1, 0.0, 1 / 1.2))]
)
def test_ends_without_hand_error_give_the_tool_error(invented, written, tmp_path, direction, stretch):
    clip = invented(seed=3, tool_sd=0.0, bias=(0.6, -0.4), direction=direction, stretch=stretch)
    draw = draw_frames(clip.measurement, 1)
    rows = clip.marked(draw, np.random.default_rng(0), sd=0.0)
    found = checked(clip, draw, [rows], written, tmp_path).quantities
    expected = {"length": 0.6, "width": -0.4, "front": 0.6, "rear": 0.0, "left": -0.4, "right": 0.0}
    for name, value in expected.items():
        # The ends are found on 96 vertices.
        assert found[name].agreement.bias.value == pytest.approx(
            value, abs=0.003 if name in ("length", "width") else 0.05
        )
    assert found["length"].hand is None
    assert "area" not in found


def test_worst_moments_are_found_and_stay_out_of_the_bias(invented, written, tmp_path):
    clip = invented(seed=4, tool_sd=0.2, bias=(0.0, 0.0), jumps=5)
    draw = draw_frames(clip.measurement, 2)
    found = checked(clip, draw, [clip.marked(draw, np.random.default_rng(1), sd=0.3)], written, tmp_path)
    length = found.quantities["length"]
    assert all(away > 12 for away in length.worst.values())
    assert len(length.worst) == 5
    assert abs(length.agreement.bias.value) < 0.4
    assert set(found.differ) <= set(draw.worst)
    words = " ".join(checked_sentences(record(found, clip.measurement)))
    assert "5 worst moments, apart from the figures above: length +15" in words


def test_second_round_separates_the_hand_from_the_tool(invented, written, tmp_path):
    clip = invented(seed=5, tool_sd=1.0, bias=(0.5, 0.0))
    draw = draw_frames(clip.measurement, 3, Wanted(random=120, worst=0, run=0))
    rng = np.random.default_rng(2)
    rows = [clip.marked(draw, rng, sd=0.7, number=n) for n in (1, 2)]
    found = checked(clip, draw, rows, written, tmp_path)
    length = found.quantities["length"]
    hand = 0.7 * np.sqrt(2)
    assert length.hand.low < hand < length.hand.high
    assert length.left.low < 1.0 < length.left.high
    # The limits are those of one marking, not of the mean of two.
    assert length.agreement.sd == pytest.approx(np.hypot(1.0, hand), rel=0.12)
    assert found.repeated == "rounds"


def test_persons_are_compared(invented, written, tmp_path):
    clip = invented(seed=6, bias=(0.0, 0.0))
    draw = draw_frames(clip.measurement, 4)
    rng = np.random.default_rng(3)
    rows = [
        clip.marked(draw, rng, sd=0.2),
        clip.marked(draw, rng, sd=0.2, number=2),
        clip.marked(draw, rng, sd=0.2, person="CD", off=2.0),
    ]
    found = checked(clip, draw, rows, written, tmp_path)
    people = found.quantities["length"].persons
    assert people["AB"] - people["CD"] == pytest.approx(2.0, abs=0.3)
    # Persons count alike, however often each marked.
    mean = found.quantities["length"].agreement.bias.value
    assert mean == pytest.approx((people["AB"] + people["CD"]) / 2, abs=0.01)
    assert "Tool minus hand by person: AB" in " ".join(checked_sentences(record(found, clip.measurement)))


def test_area_from_a_traced_outline(invented, written, tmp_path):
    clip = invented(seed=7, tool_sd=0.0, bias=(0.0, 0.0))
    draw = draw_frames(clip.measurement, 5)
    rows = clip.marked(draw, np.random.default_rng(4), sd=0.0)
    for frame in draw.frames:
        like = next(row for row in rows if row["frame"] == frame)
        for x, y in clip.outline(frame)[::8]:
            rows.append({**like, "mark": "outline", "x_px": f"{x:.3f}", "y_px": f"{y:.3f}"})
    found = checked(clip, draw, [rows], written, tmp_path).quantities["area"]
    # Twelve points on an ellipse: chords alone would be 4.5 % short.
    assert found.agreement.bias.value == pytest.approx(0.0, abs=0.2)


def test_words_and_rows(invented, written, tmp_path):
    clip = invented(seed=8, bias=(0.6, -0.4))
    draw = draw_frames(clip.measurement, 6)
    found = checked(clip, draw, [clip.marked(draw, np.random.default_rng(5), sd=0.3)], written, tmp_path)
    check = record(found, clip.measurement, {"length": 0.2})
    assert checked_headline(check).startswith(
        "checked by hand on 20 frames, 15 of them drawn at random: length +"
    )
    row = checked_rows(check, 0.02)[0]
    bias = check["quantities"]["length"]["bias"]["value"]
    assert row["um"].startswith(f"+{20 * bias:.1f} µm")
    assert row["share"].startswith(f"+{100 * bias * 0.02 / 0.2:.1f} %")
    assert checked_rows(check, None)[0]["um"] == "–"
    assert "Nobody marked these frames twice" in " ".join(checked_sentences(check))


def test_lines_in_raised_tone_are_named(invented, written, tmp_path):
    clip = invented(seed=10)
    draw = draw_frames(clip.measurement, 8)
    rows = clip.marked(draw, np.random.default_rng(7))
    for row in rows[:3]:
        row["tone"] = "raised"
    check = record(checked(clip, draw, [rows], written, tmp_path), clip.measurement)
    assert "3 of 80 lines were placed with faint parts raised" in " ".join(checked_sentences(check))


def test_too_many_unclear(invented, written, tmp_path):
    clip = invented(seed=9)
    draw = draw_frames(clip.measurement, 7)
    rows = clip.marked(draw, np.random.default_rng(6))
    clear = set(draw.random[:5])
    kept = [row for row in rows if row["frame"] in clear]
    kept += [
        {**rows[0], "frame": frame, "mark": "unclear", "x_px": "", "y_px": ""}
        for frame in draw.frames
        if frame not in clear
    ]
    with pytest.raises(MeasurementError, match="only 5 frames drawn at random were marked"):
        checked(clip, draw, [kept], written, tmp_path)
