"""Scale files and two points."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scale_scenes import camera

from poolwatch.model.axes import PoolAxes
from poolwatch.model.errors import MeasurementError, UsageError
from poolwatch.scale.calibration import OVER_THE_VIEW, Calibration, Lens, Plane
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


def tilted(tmp_path, tilt: float, turn: float, region: tuple[float, float, float, float]):
    """Scale file of a camera tilted by `tilt` about an axis at `turn` in the picture, 0.02 mm a px across the tilt."""
    truth = camera(tilt, turn, focal_px=25_000, px_per_mm=50, view=(400, 300))
    # The target may lie in any direction, and its axes may be mirrored.
    turned = np.array([[0.0, -1.0, 3.0], [-1.0, 0.0, 1.0], [0.0, 0.0, 1.0]])
    plane = Plane(
        turned @ np.linalg.inv(truth), 199.5, 149.5, region, 0.02, 0.02 / math.cos(math.radians(tilt))
    )
    scale = float(plane.scale_at((199.5, 149.5)))
    budget = Budget((Contribution("pitch", 1e-5), Contribution(OVER_THE_VIEW, 1e-3)))
    made = Calibration.made(scale, "target", budget, inputs={}, found={}, plane=plane)
    path = tmp_path / "scale.toml"
    write_scale(path, made)
    return path, plane, scale


@pytest.mark.parametrize(("tilt", "turn"), [(30, 0), (40, 90), (35, 30), (25, -70)])
def test_a_tilted_view_is_set_upright(tmp_path, tilt, turn):
    path, plane, scale = tilted(tmp_path, tilt, turn, (100, 100, 200, 100))
    read = read_scale(path)
    assert read.mm_per_px == pytest.approx(scale)
    across = np.array([math.cos(math.radians(turn)), math.sin(math.radians(turn))])
    along = np.array([-across[1], across[0]])
    upright = scale * np.array(read.stretch).reshape(2, 2)
    # Across the tilt a pixel stays 0.02 mm, along it 0.02 / cos, and neither turns.
    assert upright @ across == pytest.approx(0.02 * across, abs=2e-6)
    assert upright @ along == pytest.approx(0.02 / math.cos(math.radians(tilt)) * along, abs=2e-6)
    # The uncertainty holds no more than what perspective leaves: region 200 px of 25,000 px focal length.
    left = scale * 200 / 25_000 * math.tan(math.radians(tilt))
    assert 1e-5 < read.u_mm_per_px < 1e-5 + left
    for direction in (0.0, 50.0, 180.0, -90.0):
        axes = PoolAxes(199.5, 149.5, direction, read.mm_per_px, read.stretch)
        points = np.array([[199.5, 149.5], [230.0, 140.0], [180.0, 175.0]])
        mm = plane.mm(points)
        size = np.linalg.norm(axes.mm(points)[1:], axis=1)
        assert size == pytest.approx(np.linalg.norm(mm[1:] - mm[0], axis=1), rel=2e-3)
        assert axes.image(axes.mm(points)) == pytest.approx(points, abs=1e-9)
        # Forward is forward, and the left is on the left (y down in the picture).
        ahead = axes.mm(np.array([199.5, 149.5]) + 10 * np.array(axes.forward))
        assert ahead[1] == pytest.approx(0, abs=1e-9)
        assert ahead[0] > 0
        assert axes.mm(np.array([199.5, 149.5]) + 10 * np.array(axes.left))[1] > 0


def test_a_square_view_stays_as_it_is(tmp_path):
    path, _, scale = tilted(tmp_path, 5, 20, (100, 100, 200, 100))
    read = read_scale(path)
    assert read.stretch is None
    assert (read.mm_per_px, read.u_mm_per_px) == pytest.approx((scale, math.hypot(1e-5, 1e-3)))


def test_a_scale_that_perspective_changes_too_much_is_refused(tmp_path):
    truth = camera(35, 90, focal_px=1500, px_per_mm=50, view=(400, 300))
    plane = Plane(np.linalg.inv(truth), 199.5, 149.5, (50, 50, 300, 200), 0.02, 0.03)
    made = Calibration.made(0.022, "target", Budget(()), inputs={}, found={}, plane=plane)
    path = tmp_path / "scale.toml"
    write_scale(path, made)
    with pytest.raises(UsageError, match="even with its tilt set upright"):
        read_scale(path)
    assert read_calibration(path).scale.mm_per_px == 0.022


@pytest.mark.parametrize(
    "homography",
    [
        [[0.03, 0, 0], [0, 0, 0], [0, 0, 1]],
        [[0, 0, 0], [0, 0, 0], [0, 0, 0]],
        [[0.03, 0, 0], [0, 0.036, 0], [0, 1 / 64, -1]],
        [[0.03, 0, 0], [0, 0.036, 0], [0, -0.0125, 1]],
    ],
    ids=["singular", "nothing", "horizon at the weld", "horizon in the region"],
)
def test_a_plane_without_a_scale_is_refused_in_one_line(tmp_path, homography):
    plane = Plane(np.array(homography, dtype=float), 128.0, 64.0, (60.0, 30.0, 120.0, 60.0), 0.03, 0.03)
    path = tmp_path / "scale.toml"
    write_scale(path, Calibration.made(0.03, "given", Budget(()), inputs={}, found={}, plane=plane))
    with pytest.raises(UsageError, match="homography") as refused:
        read_scale(path)
    assert "\n" not in str(refused.value)


def test_a_plane_whose_own_axes_are_mirrored_or_turned_is_set_upright_alike(tmp_path):
    read = []
    for turn in ([[1, 0], [0, 1]], [[1, 0], [0, -1]], [[0.6, -0.8], [0.8, 0.6]]):
        homography = np.eye(3)
        homography[:2, :2] = np.array(turn) @ np.diag([0.03, 0.036])
        plane = Plane(homography, 128.0, 64.0, (60.0, 30.0, 120.0, 60.0), 0.03, 0.036)
        path = tmp_path / "scale.toml"
        write_scale(path, Calibration.made(0.033, "given", Budget(()), inputs={}, found={}, plane=plane))
        read.append(read_scale(path).stretch)
    assert read[0] == pytest.approx((math.sqrt(1 / 1.2), 0, 0, math.sqrt(1.2)), abs=1e-9)
    assert read[1] == pytest.approx(read[0], abs=1e-9)
    assert read[2] == pytest.approx(read[0], abs=1e-9)
