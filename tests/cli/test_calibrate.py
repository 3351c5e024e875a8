"""`poolwatch calibrate` from the command line."""

from __future__ import annotations

import numpy as np
import pytest

from poolwatch.cli.main import main
from poolwatch.scale.file import read_calibration, read_scale

pytestmark = pytest.mark.slow


def still(path, picture):
    import cv2

    ok, data = cv2.imencode(path.suffix, picture)
    assert ok
    data.tofile(path)
    return str(path)


def board(columns: int, rows: int, square: int) -> np.ndarray:
    """A checkerboard seen squarely: `columns` x `rows` inner corners, corners on pixel borders."""
    y, x = np.mgrid[: (rows + 3) * square, : (columns + 3) * square]
    i, j = x // square - 1, y // square - 1
    inside = (i >= 0) & (i <= columns) & (j >= 0) & (j <= rows)
    return np.where(inside & ((i + j) % 2 == 0), 30, 220).astype(np.uint8)


def test_points(tmp_path, capsys):
    out = tmp_path / "s.toml"
    arguments = ["calibrate", "points", "--px", "10,20", "410,20", "--mm", "8", "--date", "2001-02-03"]
    assert main([*arguments, "--out", str(out)]) == 0
    made = read_calibration(out)
    assert made.scale.mm_per_px == pytest.approx(0.02)
    assert made.date == "2001-02-03"
    shown = capsys.readouterr().out
    assert "0.020000 ± 0.000035 mm/px" in shown
    assert "cannot show a tilt" in shown
    before = out.read_bytes()
    assert main([*arguments, "--out", str(out)]) == 0
    assert out.read_bytes() == before


def test_target(tmp_path):
    photo = still(tmp_path / "größe 1.png", board(8, 6, 40))
    out = tmp_path / "s.toml"
    arguments = ["calibrate", "target", photo, "--columns", "8", "--rows", "6", "--pitch-mm", "1.0"]
    assert main([*arguments, "--u-pitch-mm", "0.002", "--out", str(out)]) == 0
    made = read_calibration(out)
    assert made.scale.mm_per_px == pytest.approx(1 / 40, rel=1e-3)
    assert made.plane is not None
    assert made.plane.tilt_deg < 1
    assert made.scale.u_mm_per_px < 0.005 * made.scale.mm_per_px
    assert made.scale.picture_px == (440, 360)


def test_ruler(tmp_path):
    x = np.arange(400)
    picture = np.tile(np.where(x % 16 < 5, 40, 210).astype(np.uint8), (80, 1))
    photo = still(tmp_path / "ruler.png", picture)
    out = tmp_path / "s.toml"
    line = ["--line", "10,40", "390,40"]
    assert main(["calibrate", "ruler", photo, "--pitch-mm", "0.5", *line, "--out", str(out)]) == 0
    assert read_scale(out).mm_per_px == pytest.approx(0.5 / 16, rel=1e-3)
    assert read_scale(out).picture_px == (400, 80)


def test_travel_and_comparison(tmp_path, capsys):
    # Rough metal moving by a whole px a frame: rolled, so exact.
    from scipy.ndimage import gaussian_filter

    metal = gaussian_filter(np.random.default_rng(3).normal(0, 1, (96, 400)), 1.5, mode="wrap")
    metal = np.clip(110 + 25 * metal / metal.std(), 0, 255).astype(np.uint8)
    clip = tmp_path / "clip.npy"
    np.save(clip, np.stack([np.roll(metal, -i, axis=1)[:, :160] for i in range(60)]))
    out = tmp_path / "travel.toml"
    arguments = ["calibrate", "travel", str(clip), "--record-rate", "2000", "--travel-speed", "40"]
    assert main([*arguments, "--u-travel-speed", "0.1", "--out", str(out)]) == 0
    made = read_calibration(out)
    assert made.scale.picture_px == (160, 96)
    assert made.scale.mm_per_px == pytest.approx(0.02, rel=0.003)
    assert abs(float(made.found["travel_direction_deg"])) < 0.5
    good, bad = tmp_path / "good.toml", tmp_path / "bad.toml"
    points = ["calibrate", "points", "--mm", "8", "--px", "0,0"]
    assert main([*points, "400,1", "--out", str(good)]) == 0
    assert main([*points, "430,1", "--out", str(bad)]) == 0
    capsys.readouterr()
    assert main(["calibrate", "compare", str(out), str(good)]) == 0
    assert "they agree" in capsys.readouterr().out
    assert main(["calibrate", "compare", str(out), str(bad)]) == 0
    assert "DISAGREE" in capsys.readouterr().out
    assert main(["calibrate", "compare", "--strict", str(out), str(good)]) == 0
    capsys.readouterr()
    assert main(["calibrate", "compare", "--strict", str(out), str(bad)]) == 1
    assert "disagree: " in capsys.readouterr().err
    for path, size in ((good, "300, 200"), (bad, "150, 100")):
        path.write_text(f"[scale]\nmm_per_px = 0.02\npicture_px = [{size}]\n")
    assert main(["calibrate", "compare", "--strict", str(good), str(bad)]) == 1
    said = capsys.readouterr()
    assert "300 x 200 and 150 x 100 px" in said.out
    assert "cannot be judged" in said.err


@pytest.mark.parametrize(
    ("arguments", "code", "message"),
    [
        (["points", "--px", "1,1", "1,1", "--mm", "3"], 2, "the two points are the same"),
        (["points", "--px", "1,1", "90,1", "--mm", "0"], 2, "must be above 0 mm"),
        (["points", "--px", "1,1", "90,nan", "--mm", "3"], 2, "is not 2 numbers as X,Y"),
        (["points", "--px", "1,1", "90,1"], 2, "--mm"),
        (["points", "--px", "1,1", "90,1", "--mm", "3", "--mm", "4"], 2, "one --mm for each --px"),
        (["points", "--px", "1,1", "3,1", "--mm", "3"], 1, "further apart"),
        (
            ["target", "none.png", "--columns", "8", "--rows", "6", "--pitch-mm", "1"],
            1,
            "none.png: no such file",
        ),
        (["target", "none.png", "--columns", "8", "--rows", "1", "--pitch-mm", "1"], 2, "at least 3 columns"),
        (["ruler", "none.png", "--pitch-mm", "1"], 1, "none.png: no such file"),
        (["travel", "none.npy", "--record-rate", "1000", "--travel-speed", "9"], 1, "no such file or folder"),
    ],
)
def test_bad_input_is_one_line(tmp_path, capfd, monkeypatch, arguments, code, message):
    monkeypatch.chdir(tmp_path)
    assert main(["calibrate", *arguments, "--out", "s.toml"]) == code
    said = capfd.readouterr().err
    assert message in said
    assert "Traceback" not in said
    assert not (tmp_path / "s.toml").exists()


def test_photos_of_two_sizes_and_missing_targets_are_named(tmp_path, capsys):
    first = still(tmp_path / "first.png", board(8, 6, 40))
    second = still(tmp_path / "second.png", board(8, 6, 30))
    counts = ["--columns", "8", "--rows", "6", "--pitch-mm", "1", "--out", str(tmp_path / "s.toml")]
    assert main(["calibrate", "target", first, second, *counts]) == 2
    assert "same camera and picture size" in capsys.readouterr().err
    blank = still(tmp_path / "blank.png", np.full((200, 300), 90, np.uint8))
    assert main(["calibrate", "target", blank, *counts]) == 1
    said = capsys.readouterr().err
    assert "blank.png: no checkerboard of 8 x 6 inner corners found" in said
    assert said.count("\n") == 1


def test_still_metal_gives_no_scale(tmp_path, capsys):
    from scipy.ndimage import gaussian_filter

    rng = np.random.default_rng(4)
    metal = 110 + 60 * gaussian_filter(rng.normal(0, 1, (96, 160)), 1.5)
    frames = np.clip(metal + rng.normal(0, 2, (24, 96, 160)), 0, 255).astype(np.uint8)
    np.save(tmp_path / "clip.npy", frames)
    arguments = ["travel", str(tmp_path / "clip.npy"), "--record-rate", "2000", "--travel-speed", "40"]
    assert main(["calibrate", *arguments, "--out", str(tmp_path / "s.toml")]) == 1
    assert "stands still in the picture" in capsys.readouterr().err


def test_what_was_found_is_drawn_into_the_photo(tmp_path, capsys):
    import cv2

    photo = still(tmp_path / "t.png", board(8, 6, 40))
    arguments = ["calibrate", "target", photo, "--columns", "8", "--rows", "6", "--pitch-mm", "1.0"]
    drawn = tmp_path / "drawn.png"
    assert main([*arguments, "--out", str(tmp_path / "s.toml"), "--drawn", str(drawn)]) == 0
    assert cv2.imread(str(drawn)).shape[1] >= 900
    assert f"drawn: {drawn}" in capsys.readouterr().err
    x = np.arange(400)
    picture = np.tile(np.where((x + 3) % 16 < 5, 40, 210).astype(np.uint8), (80, 1))
    ruler = still(tmp_path / "ruler.png", picture)
    arguments = ["calibrate", "ruler", ruler, "--pitch-mm", "0.5", "--line", "10,40", "390,40"]
    assert main([*arguments, "--out", str(tmp_path / "r.toml"), "--drawn", str(tmp_path / "r.png")]) == 0
    assert main([*arguments, "--out", str(tmp_path / "n.toml"), "--drawn", str(tmp_path / "r.jpg")]) == 2
    assert not (tmp_path / "n.toml").exists()
