"""Scale files and two points."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scale_scenes import camera

from poolwatch.model.errors import MeasurementError, UsageError
from poolwatch.scale.calibration import Calibration, Lens, Plane
from poolwatch.scale.compare import compare
from poolwatch.scale.file import read_calibration, read_scale, scale_text, write_scale
from poolwatch.scale.points import Pair, scale_from_points
from poolwatch.scale.uncertainty import Budget, Contribution


def full_calibration() -> Calibration:
    plane = Plane(
        homography=np.array([[0.02, 1e-4, -5.0], [2e-4, 0.021, -4.0], [1e-5, -2e-6, 1.0]]),
        place_x=300.0,
        place_y=200.0,
        region=(0.0, 0.0, 639.0, 479.0),
        least_mm_per_px=0.019,
        most_mm_per_px=0.021,
        tilt_deg=12.5,
        lens=Lens(np.diag([900.0, 900.0, 1.0]), np.array([-0.2, 0.05, 0.0, 1e-4, 0.0])),
    )
    return Calibration.made(
        0.02,
        "target",
        Budget((Contribution("pitch", 3e-5), Contribution("points", 4e-5, 12.5))),
        inputs={"photo": 'odd "name"\\ with\ttab \x7f é.png', "columns": 9, "pitch_mm": 1.0, "wide": True},
        found={"rms_px": 1e-7},
        notes=("First.", "Second."),
        plane=plane,
    )


def test_a_scale_file_comes_back_whole(tmp_path):
    made = full_calibration()
    path = tmp_path / "scale.toml"
    write_scale(path, made)
    back = read_calibration(path)
    assert back.scale == made.scale
    assert back.scale.u_mm_per_px == pytest.approx(5e-5)
    assert back.budget == made.budget
    assert dict(back.inputs) == dict(made.inputs)
    assert dict(back.found) == dict(made.found)
    assert back.notes == made.notes
    assert back.plane is not None
    assert made.plane is not None
    np.testing.assert_array_equal(back.plane.homography, made.plane.homography)
    points = np.array([[10.0, 20.0], [600.0, 400.0]])
    np.testing.assert_array_equal(back.plane.mm(points), made.plane.mm(points))
    assert scale_text(back) == scale_text(made)


def test_a_file_by_hand_needs_only_the_scale(tmp_path):
    path = tmp_path / "hand.toml"
    path.write_text("[scale]\nmm_per_px = 0.0125\n", encoding="utf-8")
    scale = read_scale(path)
    assert (scale.mm_per_px, scale.u_mm_per_px) == (0.0125, 0.0)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("[scale]\nmm_per_px = 0.0\n", "mm_per_px"),
        ("[scale]\nmm_per_px = nan\n", "mm_per_px"),
        ("[scale]\nmm_per_px = 1.0\nu_mm_per_px = -1.0\n", "u_mm_per_px"),
        ("[scale]\nmm_per_pixel = 1.0\n", "unknown setting 'scale.mm_per_pixel'"),
        ("mm_per_px = 1\n", "'scale' is missing"),
        ("[scale]\nmm_per_px = \n", "not valid TOML"),
        (
            "[scale]\nmm_per_px = 1.0\n[plane]\nplace_px=[1,2]\nregion_px=[0,0,1,1]\nleast_mm_per_px=1\n"
            "most_mm_per_px=1\nhomography=[[1,2],[3,4]]\n",
            "3 rows of 3 numbers",
        ),
    ],
)
def test_a_wrong_scale_file_is_named(tmp_path, text, message):
    path = tmp_path / "bad.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(UsageError, match=message) as caught:
        read_scale(path)
    assert "bad.toml" in str(caught.value)


def test_a_missing_scale_file_is_named(tmp_path):
    with pytest.raises(UsageError, match="no such file"):
        read_scale(tmp_path / "none.toml")


def test_one_pair_by_hand():
    made = scale_from_points([Pair((10, 20), (310, 420), 10.0)], u_px=0.5, u_mm=0.02)
    assert made.scale.mm_per_px == pytest.approx(10 / 500)
    assert made.scale.u_mm_per_px == pytest.approx(math.hypot(0.02 * math.sqrt(2) * 0.5 / 500, 0.02 / 500))


def test_the_error_bar_of_points_covers_what_it_says():
    rng = np.random.default_rng(4)
    true, inside = 0.02, 0
    for _ in range(400):
        pairs = []
        for length, angle in ((300.0, 0.3), (200.0, 1.7), (400.0, -0.9)):
            ends = np.array(
                [[100.0, 100.0], [100 + length * math.cos(angle), 100 + length * math.sin(angle)]]
            )
            seen = ends + 0.4 * rng.standard_normal(ends.shape)
            pairs.append(Pair(tuple(seen[0]), tuple(seen[1]), true * length))
        made = scale_from_points(pairs, u_px=0.4)
        inside += abs(made.scale.mm_per_px - true) < made.budget.expanded(0.95)
    assert 0.92 <= inside / 400 <= 0.99


def test_pairs_that_contradict_enlarge_the_error_bar():
    pairs = [Pair((0, 0), (400, 0), 8.0), Pair((0, 0), (0, 400), 9.0)]
    made = scale_from_points(pairs, u_px=0.5)
    assert made.scale.mm_per_px == pytest.approx(8.5 / 400)
    assert made.scale.u_mm_per_px > 0.02 * made.scale.mm_per_px
    assert "scatter" in made.notes[0]


@pytest.mark.parametrize(
    ("pair", "message"),
    [
        (((5, 5), (5, 5), 1.0), "the two points are the same"),
        (((5, 5), (50, 5), 0.0), "must be above 0 mm"),
        (((5, 5), (50, math.nan), 1.0), "must be finite"),
        (((5, 5), (50, 5), math.nan), "must be above 0 mm"),
    ],
)
def test_points_that_make_no_sense_are_refused(pair, message):
    with pytest.raises(UsageError, match=message):
        Pair(*pair)


def test_points_too_close_are_refused():
    with pytest.raises(MeasurementError, match="further apart"):
        scale_from_points([Pair((5, 5), (9, 5), 1.0)], u_px=0.5)


def test_comparison_says_agreement_and_disagreement():
    first = scale_from_points([Pair((0, 0), (400, 0), 8.0)], u_px=0.5).scale
    near = scale_from_points([Pair((0, 0), (401, 0), 8.0)], u_px=0.5).scale
    far = scale_from_points([Pair((0, 0), (410, 0), 8.0)], u_px=0.5).scale
    assert compare(first, near).agree
    apart = compare(first, far)
    assert not apart.agree
    assert apart.difference == pytest.approx(400 / 410 - 1)
    # Readings: √2 0.5 px over 400 and 410 px, both relative to the first scale; 1.96 for 95 %.
    reading = math.sqrt(2) * 0.5
    assert apart.limit == pytest.approx(1.96 * math.hypot(reading / 400, 400 / 410 * reading / 410), rel=1e-3)
    exact = compare(type(first)(0.02), type(first)(0.03))
    assert not exact.judged


@pytest.mark.parametrize(("tilt", "refused"), [(10, False), (35, True)])
def test_a_tilted_view_is_refused_for_measuring(tmp_path, tilt, refused):
    truth = camera(tilt, 90, focal_px=2500, px_per_mm=50, view=(400, 300))
    plane = Plane(np.linalg.inv(truth), 199.5, 149.5, (100, 100, 200, 100), 1.0, 1.0)
    at = np.stack(np.meshgrid([100, 300], [100, 200]), axis=-1)
    both = [plane.scale_along(at, angle) for angle in (0, 90)]
    plane = replace(plane, least_mm_per_px=float(np.min(both)), most_mm_per_px=float(np.max(both)))
    made = Calibration.made(0.02, "target", Budget(()), inputs={}, found={}, plane=plane)
    path = tmp_path / "scale.toml"
    write_scale(path, made)
    if not refused:
        assert read_scale(path).mm_per_px == 0.02
        return
    # Tilted about the picture's columns: 0.02 mm along them, 0.02 / cos 35 degrees along the rows.
    with pytest.raises(UsageError, match=r"0\.02442 along the picture's rows, 0\.02 along its columns"):
        read_scale(path)
    assert read_calibration(path).scale.mm_per_px == 0.02
