"""Targets drawn at known tilt, and real chessboard photos of published calibration."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scale_scenes import camera, target_photo

from poolwatch.model.errors import ClipError, MeasurementError, UsageError
from poolwatch.scale.calibration import Lens, Plane, undistorted
from poolwatch.scale.lens import calibrate_lens
from poolwatch.scale.photo import read_photo
from poolwatch.scale.plane import Placement, ellipse_centres, fit_plane, scale_from_target
from poolwatch.scale.target import Sighting, Target, find_target

VIEW = (512, 400)


def places() -> np.ndarray:
    x, y = np.meshgrid(np.linspace(10, 500, 7), np.linspace(10, 390, 5))
    return np.stack([x, y], axis=-1)


@pytest.mark.slow
@pytest.mark.parametrize("pattern", ["checkerboard", "circles"])
@pytest.mark.parametrize(
    ("tilt", "turn", "focal", "px_per_mm", "blur", "noise"),
    [
        (0, 0, 2000, 38, 0.7, 3),
        (15, 130, 1000, 30, 1.5, 8),
        (30, 45, 1500, 38, 0.8, 4),
        (40, 0, 2500, 38, 1.2, 6),
        (40, 72, 900, 32, 0.8, 4),
    ],
)
def test_tilt_is_taken_out_over_the_whole_view(pattern, tilt, turn, focal, px_per_mm, blur, noise):
    truth = camera(tilt, turn, focal_px=focal, px_per_mm=px_per_mm, view=VIEW)
    target = Target(pattern, 8, 6, 1.0)
    photo = target_photo(
        truth, VIEW, pattern, 8, 6, 1.0, seed=tilt + turn, blur_px=blur, noise=noise, diameter_mm=0.55
    )
    made = scale_from_target(find_target(photo, target), target, VIEW)
    exact = Plane(np.linalg.inv(truth), 0, 0, (0, 0, 1, 1), 1, 1)
    assert made.plane is not None
    for direction in (0, 45, 90, 135):
        ratio = made.plane.scale_along(places(), direction) / exact.scale_along(places(), direction)
        assert np.abs(ratio - 1).max() < 0.005
    # At the place itself the finding's own share of the budget must hold the error (3 sigma).
    place = exact.scale_at(np.array([made.plane.place_x, made.plane.place_y]))
    finding = math.hypot(*(part.u for part in made.budget.contributions if part.name.count("points")))
    assert abs(made.scale.mm_per_px - place) < 3 * finding
    # Whatever the direction and place in the region, the scale lies within the stated spread.
    x, y, w, h = made.plane.region
    corners = np.array([[x, y], [x + w, y], [x, y + h], [x + w, y + h]])
    for direction in (0, 45, 90, 135):
        along = exact.scale_along(corners, direction)
        assert (along > made.plane.least_mm_per_px * 0.998).all()
        assert (along < made.plane.most_mm_per_px * 1.002).all()
    assert made.plane.tilt_deg == pytest.approx(tilt, abs=1.5)
    assert bool(made.notes[0].startswith("The view is tilted")) == (tilt >= 15)


def test_circles_seen_at_a_slant_need_the_centre_shift():
    # Large circles near the camera: without the shift the fit would be out by far more than the points' noise.
    truth = camera(40, 20, focal_px=700, px_per_mm=30, view=VIEW)
    target = Target("circles", 7, 5, 1.0)
    centres = ellipse_centres(truth, target.points_mm, 0.4)
    shift = np.linalg.norm(centres - centres_of(truth, target.points_mm), axis=1)
    assert shift.max() > 0.1
    jacobian = np.abs(np.linalg.det(Plane(np.linalg.inv(truth), 0, 0, (0, 0, 1, 1), 1, 1).jacobian(centres)))
    areas = math.pi * 0.4**2 / jacobian
    with_shift, residuals, _ = fit_plane(centres, target.points_mm, areas)
    assert np.abs(residuals).max() < 0.01
    assert with_shift == pytest.approx(truth, rel=2e-3, abs=1e-6)
    _, plain, _ = fit_plane(centres, target.points_mm)
    assert np.abs(plain).max() > 3 * np.abs(residuals).max()


def centres_of(homography: np.ndarray, points: np.ndarray) -> np.ndarray:
    lifted = np.column_stack([points, np.ones(len(points))]) @ homography.T
    return lifted[:, :2] / lifted[:, 2:]


def test_the_covariance_of_the_plane_is_what_noise_does():
    truth = camera(25, 30, focal_px=1500, px_per_mm=38, view=VIEW)
    target = Target("checkerboard", 8, 6, 1.0)
    exact = centres_of(truth, target.points_mm)
    rng = np.random.default_rng(8)
    made = [
        scale_from_target(Sighting(exact + 0.1 * rng.standard_normal(exact.shape), np.empty(0)), target, VIEW)
        for _ in range(80)
    ]
    scatter = np.std([m.scale.mm_per_px for m in made], ddof=1)
    stated = np.mean([m.budget.contributions[0].u for m in made])
    assert scatter == pytest.approx(stated, rel=0.25)


def test_published_chessboard_calibration_is_reproduced(checkerboard_photos):
    # OpenCV samples/data/left_intrinsics.yml (13 views, 9 x 6 inner corners): focal length 535.91573 px, average
    # reprojection error 0.39259 px, made with the classic finder and an 11 px refinement window.
    import cv2

    target = Target("checkerboard", 9, 6, 25.0)
    sightings = []
    for path in checkerboard_photos:
        grey = read_photo(path).astype(np.uint8)
        flags = cv2.CALIB_CB_ADAPTIVE_THRESH | cv2.CALIB_CB_NORMALIZE_IMAGE | cv2.CALIB_CB_FAST_CHECK
        ok, corners = cv2.findChessboardCorners(grey, (9, 6), flags=flags)
        assert ok
        corners = cv2.cornerSubPix(grey, corners, (11, 11), (-1, -1), (3, 30, 0.1))
        sightings.append(Sighting(corners.reshape(-1, 2).astype(float), np.empty(0)))
    fit = calibrate_lens(sightings, target, (640, 480))
    assert fit.lens.camera_matrix[0, 0] == pytest.approx(535.916, abs=0.02)
    assert fit.rms_px == pytest.approx(0.39259, abs=0.0005)
    assert fit.view_rms_px[1] == pytest.approx(1.18205, abs=0.002)
    assert fit.lens.distortion == pytest.approx([-0.26637, -0.03859, 0.00178, -0.00028, 0.23839], abs=0.002)
    # The other definition: the norm of all residuals of a view over its number of points, averaged; 0.0395 on
    # this data. A view's rms r over n points gives r / sqrt(n) there.
    assert np.mean(fit.view_rms_px / math.sqrt(54)) == pytest.approx(0.0395, abs=0.001)


@pytest.mark.slow
def test_own_corners_on_the_chessboard_photos(checkerboard_photos):
    # The published corners of left02 are pulled by neighbours inside the 11 px window (1.18 px). With a window
    # that holds one corner the focal length moves by 0.5 % and every view fits alike.
    target = Target("checkerboard", 9, 6, 25.0)
    sightings = [find_target(read_photo(path), target) for path in checkerboard_photos]
    fit = calibrate_lens(sightings, target, (640, 480))
    assert fit.believable
    assert fit.lens.camera_matrix[0, 0] == pytest.approx(535.916, rel=0.01)
    assert fit.rms_px < 0.2
    assert fit.view_rms_px.max() < 0.3
    # Taking the distortion out makes a single photo a plane: residuals fall from 0.6 px to the corners' noise.
    bent = scale_from_target(sightings[0], target, (640, 480))
    flat = scale_from_target(sightings[0], target, (640, 480), lens=fit.lens)
    assert float(flat.found["rms_px"]) < 0.15 < 0.5 < float(bent.found["rms_px"])


def test_lens_from_drawn_corners():
    import cv2

    target = Target("circles", 9, 7, 1.0)
    matrix = np.array([[1400.0, 0, 250], [0, 1400.0, 205], [0, 0, 1]])
    distortion = np.array([-0.25, 0.1, 5e-4, -3e-4, 0.0])
    plane = np.column_stack([target.points_mm, np.zeros(63)])
    rng = np.random.default_rng(1)
    sightings = []
    for tilt_x, tilt_y in ((0, 0), (30, 0), (-25, 10), (0, 35), (20, -30), (-30, -20)):
        rotation = np.radians([tilt_x, tilt_y, 5.0])
        seen = cv2.projectPoints(plane, rotation, np.array([0, 0, 32.0]), matrix, distortion)[0].reshape(
            -1, 2
        )
        sightings.append(Sighting(seen + 0.03 * rng.standard_normal(seen.shape), np.empty(0)))
    fit = calibrate_lens(sightings, target, VIEW)
    assert abs(fit.lens.camera_matrix[0, 0] - 1400) < 4 * fit.u_focal_px
    assert fit.rms_px == pytest.approx(0.03 * math.sqrt(2), rel=0.15)
    made = scale_from_target(sightings[0], target, VIEW, lens=fit.lens)
    # Untilted at 32 mm: 32/1400 mm per px in a picture without distortion, at its centre.
    assert made.plane is not None
    assert made.plane.scale_at(np.array([250.0, 205.0])) == pytest.approx(32 / 1400, rel=0.002)


def test_undistorting_undoes_opencv_distortion():
    import cv2

    lens = Lens(
        np.array([[800.0, 0, 320], [0, 800.0, 240], [0, 0, 1]]), np.array([-0.3, 0.12, 1e-3, -5e-4, 0.02])
    )
    free = np.array([[320.0, 240.0], [20.0, 30.0], [620.0, 450.0], [100.0, 400.0]])
    rays = np.column_stack([(free - [320, 240]) / 800, np.ones(4)])
    seen = cv2.projectPoints(rays, np.zeros(3), np.zeros(3), lens.camera_matrix, lens.distortion)[0].reshape(
        -1, 2
    )
    assert undistorted(seen, lens) == pytest.approx(free, abs=1e-6)


def test_a_photo_without_the_target_says_what_to_do():
    rng = np.random.default_rng(2)
    photo = rng.integers(0, 255, (200, 300)).astype(np.float32)
    for pattern in ("checkerboard", "circles"):
        with pytest.raises(MeasurementError, match="Check the counts"):
            find_target(photo, Target(pattern, 8, 6, 1.0))


def test_wrong_counts_are_not_taken_for_the_target():
    truth = camera(10, 0, focal_px=1500, px_per_mm=38, view=VIEW)
    for pattern in ("checkerboard", "circles"):
        photo = target_photo(truth, VIEW, pattern, 8, 6, 1.0, seed=5, diameter_mm=0.5)
        with pytest.raises(MeasurementError, match=r"9 x 7"):
            find_target(photo, Target(pattern, 9, 7, 1.0))


@pytest.mark.parametrize(
    ("values", "message"),
    [
        (("checkerboard", 2, 6, 1.0), "at least 3 columns"),
        (("circles", 8, 6, 0.0), "pitch must be above 0"),
        (("circles", 8, 6, math.nan), "pitch must be above 0"),
        (("dots", 8, 6, 1.0), "checkerboard or circles"),
    ],
)
def test_a_target_that_makes_no_sense_is_refused(values, message):
    with pytest.raises(UsageError, match=message):
        Target(*values)


def test_place_and_region_must_lie_in_the_picture():
    truth = camera(0, 0, focal_px=1500, px_per_mm=38, view=VIEW)
    target = Target("checkerboard", 8, 6, 1.0)
    sighting = Sighting(centres_of(truth, target.points_mm), np.empty(0))
    with pytest.raises(UsageError, match="outside the picture"):
        scale_from_target(sighting, target, VIEW, Placement(place=(600, 10)))
    # The middle of the last pixel is the last place.
    scale_from_target(sighting, target, VIEW, Placement(place=(VIEW[0] - 1, VIEW[1] - 1)))
    for place in ((VIEW[0] - 0.5, 10), (10, VIEW[1] - 0.5), (-0.5, 10)):
        with pytest.raises(UsageError, match="outside the picture"):
            scale_from_target(sighting, target, VIEW, Placement(place=place))
    with pytest.raises(UsageError, match="is not in the picture"):
        scale_from_target(sighting, target, VIEW, Placement(region=(0, 0, 600, 10)))
    with pytest.raises(UsageError, match="needs the distance"):
        scale_from_target(sighting, target, VIEW, Placement(u_height_mm=0.1))


def test_an_unreadable_photo_is_named(tmp_path):
    path = tmp_path / "photo.png"
    with pytest.raises(ClipError, match="no such file"):
        read_photo(path)
    path.write_bytes(b"not a picture")
    with pytest.raises(ClipError, match="no picture that can be read"):
        read_photo(path)
    path.write_bytes(b"")
    with pytest.raises(ClipError, match="no picture that can be read"):
        read_photo(path)
