"""The pool in frames laid on one another: its rim over time, its path, where it usually is; noise of lossy video."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from poolwatch.pool.illuminated.alignment import Path, UsualPool, laid_out_frames, moved, paths_of
from poolwatch.pool.illuminated.metal_tone import lighting_of_places
from poolwatch.pool.illuminated.noise import explained_by, noise_of_pairs, rest_against
from poolwatch.pool.illuminated.over_time import rim_over_time, usual_picture
from poolwatch.pool.illuminated.usual import odds_of, shrunk, usual_of

H, W = 90, 150
RUNS, LENGTH, SPEED = 4, 9, 2
ALL = np.ones((H, W), dtype=np.uint8)


def sheet(generator: np.random.Generator) -> np.ndarray:
    marks = cv2.GaussianBlur(generator.standard_normal((H, 1200)), (0, 0), 1.5)
    return 110 + 25 * marks / marks.std()


def clip(standing: bool) -> tuple[np.ndarray, tuple[int, ...]]:
    """A dark ellipse of 50 x 26 px with a bright keyhole; the metal moves to the left, or the pool to the right."""
    generator = np.random.default_rng(3)
    metal = sheet(generator)
    starts = tuple(range(0, RUNS * LENGTH, LENGTH))
    rows, columns = np.mgrid[:H, :W]
    frames = []
    for k in range(RUNS * LENGTH):
        x = 75 + (SPEED * (k - 18) if standing else 0)
        frame = metal[:, 40 : 40 + W] if standing else metal[:, 40 + SPEED * k : 40 + SPEED * k + W]
        # Soft light ahead is as strong as the step at the rim.
        frame = frame + 50 * np.exp(-(((columns - x - 35) / 25) ** 2) - ((rows - 45) / 25) ** 2)
        frame = np.where(((columns - x) / 25) ** 2 + ((rows - 45) / 13) ** 2 < 1, frame * 0.5, frame)
        frame = np.where(np.hypot(columns - x - 12, rows - 45) < 4, 250, frame)
        frames.append(cv2.GaussianBlur(frame, (0, 0), 0.8) + generator.normal(0, 1.0, (H, W)))
    shown = np.clip(np.round(frames), 0, 255).astype(np.uint8)
    return shown.reshape(RUNS, LENGTH, H, W), starts


@pytest.mark.parametrize("standing", [False, True])
def test_the_rim_is_seen_in_frames_laid_on_one_another(standing):
    windows, starts = clip(standing)
    metal = (0.0, 0.0) if standing else (-float(SPEED), 0.0)
    (path, *_) = paths_of(metal, (-float(SPEED), 0.0), starts, LENGTH)
    tone, change = usual_picture(windows, path)
    liquid = np.zeros((H, W), dtype=bool)
    liquid[38:52, 65:90] = True
    rim = rim_over_time(tone, change, liquid, (1.0, 0.0))
    assert rim is not None
    assert rim.seen
    assert np.ptp(rim.contour[:, 0]) == pytest.approx(50, abs=4)
    assert np.ptp(rim.contour[:, 1]) == pytest.approx(26, abs=3)


def test_a_slender_tail_with_a_spot_in_it_is_not_cut():
    rows, columns = np.mgrid[:H, :200]
    generator = np.random.default_rng(7)
    noise = cv2.GaussianBlur(generator.standard_normal((H, 200)), (0, 0), 1.5)
    half = 14 * np.clip(1 - np.clip(130 - columns, 0, 90) / 90, 0, 1) ** 0.6
    pool = (np.abs(rows - 45) < half) & (columns < 145) & (columns > 40)
    tone = 110 + 2 * noise - 80 * pool + 200 * (np.hypot(columns - 128, rows - 45) < 4)
    spot = np.exp(-(((columns - 90) / 6) ** 2) - ((rows - 45) / 5) ** 2)
    tone = cv2.GaussianBlur(tone + 30 * spot, (0, 0), 1.0).astype(np.float32)
    change = (1.0 + 0.05 * noise + 2.0 * spot).astype(np.float32)
    liquid = np.zeros((H, 200), dtype=bool)
    liquid[38:52, 105:140] = True
    rim = rim_over_time(tone, change, liquid, (1.0, 0.0))
    assert rim is not None
    assert rim.contour[:, 0].min() == pytest.approx(42, abs=6)
    assert np.ptp(rim.contour[:, 1]) == pytest.approx(28, abs=4)


def test_a_dark_bead_that_does_not_change_is_not_taken_for_the_pool():
    rows, columns = np.mgrid[:H, :200]
    pool = ((columns - 150) / 30) ** 2 + ((rows - 45) / 14) ** 2 < 1
    bead = (np.abs(rows - 45) < 14) & (columns < 150)
    picture = np.where(pool, 55.0, np.where(bead, 60.0, 110.0)).astype(np.float32)
    turn = np.linspace(0, 2 * np.pi, 60, endpoint=False)
    contour = np.column_stack((150 + 30 * np.cos(turn), 45 + 14 * np.sin(turn)))
    shown = UsualPool(picture, contour, 5.0, Path((1.0, 0.0), (0,), 0.0))
    usual = usual_of(shown, (150.0, 45.0), (H, 200), True)
    # A large glint makes the pool unlike itself.
    frame = np.where(pool & (np.abs(columns - 145) < 6), 140.0, picture).astype(np.float32)
    small, changed = shrunk(frame), shrunk(pool.astype(np.float32))
    place = usual.find(small, changed)
    assert place is not None
    assert place[0] == pytest.approx(150, abs=4)


def test_no_rim_is_seen_in_metal_alone():
    generator = np.random.default_rng(5)
    tone = cv2.GaussianBlur(generator.standard_normal((H, W)), (0, 0), 2.0).astype(np.float32) * 50 + 100
    change = np.ones((H, W), dtype=np.float32) + generator.normal(0, 0.1, (H, W)).astype(np.float32)
    liquid = np.zeros((H, W), dtype=bool)
    liquid[38:52, 65:90] = True
    rim = rim_over_time(tone, change, liquid, (1.0, 0.0))
    assert rim is None or not rim.seen


def test_paths_that_a_pool_may_have():
    given, starts = (-0.5, 0.1), (0, 40, 80)
    rides, stands = paths_of((-0.4, 0.1), given, starts, 33)
    assert rides.velocity == (0.0, 0.0)
    assert stands.velocity == (0.5, -0.1)
    assert stands.shift(2, 16) == (20, -4)
    # Where marks show both, motion and rest, what is seen decides; a riding camera shows the motion given.
    assert paths_of((-0.49, 0.1), given, starts, 33, lambda: 2.0) == [rides]
    assert len(paths_of((-0.3, 0.1), given, starts, 33, lambda: 2.0)) == 2
    assert paths_of((-0.49, 0.1), given, starts, 33, lambda: 0.4) == [stands]
    assert stands.contradicts((-0.4, 0.1))
    assert not stands.contradicts((0.02, 0.0))
    assert not rides.contradicts((-0.4, 0.1))
    # Metal that stands still shows which it is; without a speed the pool can be laid on itself in one way alone.
    assert paths_of((0.02, 0.0), given, starts, 33) == [stands]
    assert [p.velocity for p in paths_of((0.02, 0.0), None, starts, 33)] == [(0.0, 0.0)]


def test_frames_are_laid_on_one_another():
    base = np.arange(H * W, dtype=np.uint16).reshape(H, W)
    windows = np.array([[moved(base, 3 * (4 * i + k), 0) for k in range(4)] for i in range(2)])
    laid = laid_out_frames(windows, Path((3.0, 0.0), (0, 4), 0.0))
    for frame in laid:
        np.testing.assert_array_equal(frame[:, 25:-25], base[:, 25:-25])


def test_odds_of_where_the_pool_usually_is_and_the_pool_found_again():
    windows, starts = clip(True)
    path = paths_of((0.0, 0.0), (-float(SPEED), 0.0), starts, LENGTH)[0]
    turn = np.linspace(0, 2 * np.pi, 90, endpoint=False)
    contour = np.column_stack((75 + 25 * np.cos(turn), 45 + 13 * np.sin(turn)))
    odds = odds_of(contour, (H, W))
    assert odds[45, 75] > 1.5
    assert odds[45, 101] == pytest.approx(0.0, abs=0.4)
    assert odds[5, 5] == -3.0
    usual = usual_of(
        UsualPool(usual_picture(windows, path)[0], contour, 4.0, path), (75.0, 45.0), (H, W), True
    )
    for run, k in ((0, 8), (2, 4), (3, 8)):
        frame = windows[run, k]
        small = cv2.resize(frame, (W // 4, H // 4), interpolation=cv2.INTER_AREA)
        found = usual.find(small, None)
        assert found is not None
        assert found[0] == pytest.approx(75 + path.shift(run, k)[0], abs=2.5)
        assert found[1] == pytest.approx(45, abs=2.5)
    assert usual.find(np.full((H // 4, W // 4), 90, dtype=np.uint8), None) is None


def test_metal_by_place_follows_the_bead_and_not_a_tail_that_is_longer_than_thought():
    turn = np.linspace(0, 2 * np.pi, 90, endpoint=False)
    contour = np.column_stack((85 + 25 * np.cos(turn), 45 + 13 * np.sin(turn)))
    rows, columns = np.mgrid[:H, :W]
    usual = np.full((H, W), 100.0, dtype=np.float32)
    usual[(np.abs(rows - 45) < 13) & (columns < 85)] = 70.0
    # Liquid to 15 px behind the contour.
    usual[((columns - 78) / 33) ** 2 + ((rows - 45) / 13) ** 2 < 1] = 40.0
    light = lighting_of_places(usual, contour, (100.0, 0.0, 0.0), (1.0, 0.0))
    assert light.places[45, 20:60] == pytest.approx(-0.3, abs=0.03)
    assert light.places[45, 115:] == pytest.approx(0.0, abs=0.03)
    assert light.places[10] == pytest.approx(0.0, abs=0.01)


def _metal(lossy: bool) -> np.ndarray:
    generator = np.random.default_rng(8)
    metal = sheet(generator)
    frames = []
    for k in range(3 * 17):
        frame = (
            np.clip(metal[:, k : k + W] + generator.normal(0, 1.0, (H, W)), 0, 255).round().astype(np.uint8)
        )
        if lossy:
            _, code = cv2.imencode(".jpg", frame, [cv2.IMWRITE_JPEG_QUALITY, 12])
            frame = cv2.imdecode(code, cv2.IMREAD_GRAYSCALE)
        frames.append(frame)
    return np.array(frames).reshape(3, 17, H, W)


def test_noise_of_metal_is_its_own_and_what_a_codec_makes_of_its_marks():
    plain = noise_of_pairs(_metal(False), (-1.0, 0.0), ALL, 8)
    # Two frames of variance 1, each rounded (1/12).
    assert plain[0] + 110 * plain[1] == pytest.approx(2 * (1 + 1 / 12), rel=0.25)
    coded = noise_of_pairs(_metal(True), (-1.0, 0.0), ALL, 8)
    assert coded[0] + 110 * coded[1] > 5 * (plain[0] + 110 * plain[1])


def test_motion_explains_the_marks_of_metal_and_another_motion_does_not():
    windows = _metal(True)
    assert explained_by(windows, (-1.0, 0.0), ALL, 8) > 0.6
    # At rest it is not.
    assert rest_against(windows, (-1.0, 0.0), ALL, 8) > 2.0
    # Far enough off that registering cannot come back.
    assert explained_by(windows, (2.0, 1.0), ALL, 8) < 0.3
