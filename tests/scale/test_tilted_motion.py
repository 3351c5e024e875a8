"""Metal that moves under a tilted camera: its scale by the travel speed, and held against a target photo's."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scale_scenes import camera

from poolwatch.cli.main import main
from poolwatch.model.axes import PoolAxes
from poolwatch.model.errors import UsageError
from poolwatch.scale.calibration import Calibration, Plane
from poolwatch.scale.clip_motion import motion_in_clip
from poolwatch.scale.compare import compare_calibrations
from poolwatch.scale.file import read_scale, write_scale
from poolwatch.scale.points import Pair, scale_from_points
from poolwatch.scale.travel import Travel, scale_from_travel
from poolwatch.scale.uncertainty import Budget, Contribution

pytestmark = pytest.mark.slow

VIEW = (200, 150)
RATE, SPEED = 5000.0, 80.0


def metal(to_image: np.ndarray, heading_deg: float, seed: int, frames: int = 32) -> np.ndarray:
    """Rough metal in a plane (waves in mm, so exact anywhere) that moves at the travel speed against the heading."""
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[: VIEW[1], : VIEW[0]].astype(float)
    seen = np.einsum("ij,jhw->ihw", np.linalg.inv(to_image), np.stack([x, y, np.ones_like(x)]))
    place = np.stack([seen[0] / seen[2], seen[1] / seen[2]])
    angle, length = rng.uniform(0, 2 * np.pi, 30), np.exp(rng.uniform(math.log(0.14), math.log(0.6), 30))
    k = 2 * np.pi / length * np.array([np.cos(angle), np.sin(angle)])
    phase = np.einsum("in,ihw->nhw", k, place) + rng.uniform(0, 2 * np.pi, 30)[:, None, None]
    ahead = np.array([math.cos(math.radians(heading_deg)), math.sin(math.radians(heading_deg))])
    step = k.T @ ahead * SPEED / RATE
    waves = np.exp(1j * phase)
    pictures = [np.tensordot(np.exp(1j * step * i), waves, axes=(0, 0)).real for i in range(frames)]
    grey = 120 + 25 * np.array(pictures) / 4 + rng.normal(0, 2, (frames, *VIEW[::-1]))
    return np.clip(np.rint(grey), 0, 255).astype(np.uint8)


def target(to_image: np.ndarray, size: float = 1.0, u: float = 2e-3) -> Calibration:
    """What a target photo gives, `size` times too large."""
    homography = np.diag([size, size, 1]) @ np.linalg.inv(to_image)
    bare = Plane(homography, 99.5, 74.5, (30, 30, 160, 100), 1.0, 1.0, 35.0)
    values = np.linalg.svd(bare.jacobian([(30, 30), (190, 30), (30, 130), (190, 130)]), compute_uv=False)
    plane = replace(bare, least_mm_per_px=float(values.min()), most_mm_per_px=float(values.max()))
    scale = float(plane.scale_at((99.5, 74.5)))
    budget = Budget((Contribution("finding the target's points", u * scale),))
    return Calibration.made(scale, "target", budget, inputs={}, found={}, plane=plane)


def travelled(pictures: np.ndarray, tilt: Calibration | None = None) -> Calibration:
    motion = motion_in_clip(lambda numbers: pictures[list(numbers)], 0, len(pictures))
    return scale_from_travel(motion, Travel(RATE, SPEED, 0.0), view=VIEW, tilt=tilt)


@pytest.mark.parametrize(("tilt", "turn", "heading"), [(40, 0, 90), (35, 90, 20), (30, 40, -130)])
def test_the_travel_speed_sizes_a_tilted_view(tmp_path, tilt, turn, heading):
    truth = camera(tilt, turn, focal_px=10_000, px_per_mm=45, view=VIEW)
    pictures = metal(truth, heading, seed=tilt)
    exact = target(truth)
    # A target that was taken for 6 % larger than it is still shows the tilt.
    made = travelled(pictures, target(truth, 1.06))
    assert made.plane is not None
    assert made.scale.mm_per_px == pytest.approx(exact.scale.mm_per_px, rel=0.01)
    assert abs(made.scale.mm_per_px - exact.scale.mm_per_px) < 3 * made.scale.u_mm_per_px
    assert made.found["target_less_travel_percent"] == pytest.approx(6.0, abs=1.0)
    path = tmp_path / "scale.toml"
    write_scale(path, made)
    read = read_scale(path)
    assert read.stretch is not None
    axes = PoolAxes(99.5, 74.5, 25.0, read.mm_per_px, read.stretch)
    ends = np.array([[99.5, 74.5], [130.0, 79.5], [109.5, 95.0], [95.0, 65.0]])
    mm = exact.plane.mm(ends)
    assert np.linalg.norm(axes.mm(ends)[1:], axis=1) == pytest.approx(
        np.linalg.norm(mm[1:] - mm[0], axis=1), rel=0.01
    )


@pytest.mark.parametrize(("tilt", "turn", "heading"), [(40, 0, 90), (40, 0, 0), (35, 60, 20)])
def test_travel_and_target_of_a_tilted_view_are_compared_along_travel(tmp_path, capsys, tilt, turn, heading):
    truth = camera(tilt, turn, focal_px=10_000, px_per_mm=45, view=VIEW)
    made = travelled(metal(truth, heading, seed=7 + heading))
    right = target(truth)
    # As they stand the two differ by far more than either is uncertain, for they mean different directions.
    assert abs(made.scale.mm_per_px / right.scale.mm_per_px - 1) > 0.02
    for first, second in ((made, right), (right, made)):
        assert compare_calibrations(first, second).result.agree
    wrong = compare_calibrations(made, target(truth, 1.03))
    assert not wrong.result.agree
    assert wrong.result.difference == pytest.approx(0.03, abs=0.01)
    paths = [str(tmp_path / name) for name in ("travel.toml", "target.toml")]
    write_scale(paths[0], made)
    write_scale(paths[1], right)
    assert main(["calibrate", "compare", *paths]) == 0
    said = capsys.readouterr().out
    assert "compared along travel" in said
    assert "they agree" in said


def test_two_targets_that_show_another_tilt_disagree():
    def seen(tilt):
        return target(camera(tilt, 30, focal_px=10_000, px_per_mm=45, view=VIEW))

    assert compare_calibrations(seen(35), seen(35)).result.agree
    apart = compare_calibrations(seen(35), seen(30))
    assert not apart.result.agree
    # Down the tilt a px is 1 / cos as large, across it the same.
    assert apart.result.difference == pytest.approx(
        math.cos(math.radians(35)) / math.cos(math.radians(30)) - 1, abs=1e-3
    )
    # Its own axes may lie anyhow.
    turned = seen(30)
    spun = Plane(np.diag([-1.0, 1, 1]) @ turned.plane.homography, 99.5, 74.5, turned.plane.region, 0.02, 0.03)
    again = compare_calibrations(
        seen(35),
        Calibration.made(turned.scale.mm_per_px, "target", turned.budget, inputs={}, found={}, plane=spun),
    )
    assert again.result.difference == pytest.approx(apart.result.difference, abs=1e-9)


def test_lines_in_two_directions_hint_at_a_tilt():
    along = scale_from_points([Pair((0, 0), (400, 0), 8.0)], u_px=0.5)
    across = scale_from_points([Pair((0, 0), (0, 400), 9.0)], u_px=0.5)
    found = compare_calibrations(along, across)
    assert not found.result.agree
    assert "90 degrees apart" in found.hint
    assert compare_calibrations(along, along).hint == ""


def test_a_calibration_without_a_plane_shows_no_tilt(tmp_path, capsys):
    points = scale_from_points([Pair((0, 0), (200, 0), 4.0)])
    truth = camera(0, 0, focal_px=10_000, px_per_mm=45, view=VIEW)
    pictures = metal(truth, 0, seed=1)
    with pytest.raises(UsageError, match="shows no tilt"):
        travelled(pictures, points)
    write_scale(tmp_path / "points.toml", points)
    np.save(tmp_path / "clip.npy", pictures)
    command = [
        "calibrate",
        "travel",
        str(tmp_path / "clip.npy"),
        "--record-rate",
        "5000",
        "--travel-speed",
        "80",
    ]
    out = ["--out", str(tmp_path / "s.toml")]
    assert main([*command, "--tilt", str(tmp_path / "points.toml"), *out]) == 2
    assert "holds no plane" in capsys.readouterr().err
    write_scale(tmp_path / "target.toml", target(truth))
    assert main([*command, "--tilt", str(tmp_path / "target.toml"), *out]) == 0
    assert read_scale(tmp_path / "s.toml").mm_per_px == pytest.approx(1 / 45, rel=0.01)
