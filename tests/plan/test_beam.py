"""Beam figures: second moments against analytic beams and a reference library, power shares, irradiance, files."""

from __future__ import annotations

import codecs
import math
from pathlib import Path

import cv2
import numpy as np
import pandas as pd
import pytest
from laserbeamsize.analysis import beam_size
from scipy.ndimage import gaussian_filter

from poolwatch.cli.main import main
from poolwatch.model.errors import ClipError, MeasurementError, UsageError
from poolwatch.model.sheet import read_sheet
from poolwatch.plan.beam_figures import axis_angle, beam_figures, full_angle
from poolwatch.plan.beam_image import BeamImage, read_beam_image
from poolwatch.plan.beam_moments import second_moments
from poolwatch.plan.beam_regions import GivenRegions, power_shares

pytestmark = pytest.mark.slow

Floats = np.ndarray


def plane(size: int, x: float, y: float) -> tuple[Floats, Floats]:
    """Coordinates right and up from a place of the picture."""
    yy, xx = np.mgrid[0:size, 0:size].astype(float)
    return xx - x, y - yy


def gaussian(size: int, x: float, y: float, along: float, across: float, degrees: float) -> Floats:
    dx, dy = plane(size, x, y)
    angle = math.radians(degrees)
    u = dx * math.cos(angle) + dy * math.sin(angle)
    v = dy * math.cos(angle) - dx * math.sin(angle)
    return np.exp(-2 * (u / along) ** 2 - 2 * (v / across) ** 2)


def annulus(size: int, inner: float, outer: float, x: float, y: float) -> Floats:
    """Share of each pixel in a ring; those at its edges are cut into 8 x 8."""
    at, parts = np.arange(size), (np.arange(8) + 0.5) / 8 - 0.5
    r = np.hypot(at - x, at[:, None] - y)
    share = ((r < outer) & (r >= inner)).astype(float)
    j, i = np.nonzero((abs(r - outer) < 0.75) | (abs(r - inner) < 0.75))
    fine = np.hypot((i[:, None] + parts)[:, None] - x, (j[:, None] + parts)[..., None] - y)
    share[j, i] = ((fine < outer) & (fine >= inner)).mean(axis=(1, 2))
    return share


@pytest.mark.parametrize(
    ("along", "across", "degrees"),
    [(40, 20, 30), (40, 20, -30), (55, 50, 80), (30, 12, 90), (25, 25, 0), (70, 9, 145)],
)
def test_moments_of_a_gaussian(along: float, across: float, degrees: float) -> None:
    """D4σ = 2 w (analytic; ISO 11146-1 from memory), and laserbeamsize's own."""
    image = gaussian(600, 301.3, 297.8, along, across, degrees)
    found = second_moments(image)
    assert (found.x, found.y) == pytest.approx((301.3, 297.8), abs=1e-4)
    assert found.major == pytest.approx(2 * along, rel=1e-3)
    assert found.minor == pytest.approx(2 * across, rel=1e-3)
    if along != across:
        assert axis_angle(found.angle_deg - degrees) == pytest.approx(0, abs=0.01)
    x, y, major, minor, phi = beam_size(image)
    assert (found.x, found.y, found.major, found.minor) == pytest.approx((x, y, major, minor), rel=1e-3)
    if along != across:
        assert axis_angle(found.angle_deg - math.degrees(phi or 0.0)) == pytest.approx(0, abs=0.05)


@pytest.mark.parametrize(("inner", "outer"), [(0, 100), (60, 100), (30, 64)])
def test_moments_of_disc_and_ring(inner: float, outer: float) -> None:
    """Disc 2 a, ring 2 sqrt(a² + b²) (analytic), and laserbeamsize's own."""
    image = annulus(512, inner, outer, 255.3, 251.8)
    found = second_moments(image)
    expected = 2 * math.hypot(inner, outer)
    assert (found.major, found.minor) == pytest.approx((expected, expected), rel=1e-3)
    _, _, major, minor, _ = beam_size(image)
    assert (found.major, found.minor) == pytest.approx((major, minor), rel=1e-3)


def test_a_beam_that_nearly_fills_the_picture_takes_its_level_from_the_rim() -> None:
    image = gaussian(128, 63, 64, 26, 24, 0)
    noisy = image + 0.1 + 0.01 * np.random.default_rng(3).standard_normal(image.shape)
    moments = second_moments(noisy)
    assert moments.background == pytest.approx(0.1, abs=0.002)
    assert moments.u_major < 0.1 * moments.major
    assert abs(moments.major - 52) < 3 * moments.u_major


@pytest.mark.long
def test_background_and_noise_do_not_shift_the_widths_and_the_error_bar_holds() -> None:
    """40 pictures: no bias beyond what their scatter allows, scatter as large as the uncertainty says."""
    image = gaussian(256, 127.2, 130.7, 30, 20, 20)
    found, said = [], []
    for seed in range(40):
        noisy = image + 0.3 + 0.01 * np.random.default_rng(seed).standard_normal(image.shape)
        moments = second_moments(noisy)
        assert moments.background == pytest.approx(0.3, abs=4e-4)
        assert moments.noise == pytest.approx(0.01, rel=0.05)
        found.append((moments.major, moments.minor))
        said.append((moments.u_major, moments.u_minor))
    mean, spread = np.mean(found, axis=0), np.std(found, axis=0)
    assert np.all(np.abs(mean - (60, 40)) < 4 * spread / math.sqrt(40) + 0.03)
    assert spread / np.mean(said, axis=0) == pytest.approx((1, 1), abs=0.35)


def test_a_beam_cut_by_the_picture_is_said() -> None:
    figures = beam_figures(BeamImage(gaussian(200, 180, 100, 40, 40, 0)), mm_per_px=0.01)
    assert any("reaches the edge" in note for note in figures.notes)


def test_no_beam_is_an_error() -> None:
    noise = np.random.default_rng(1).standard_normal((100, 100))
    with pytest.raises(MeasurementError, match=r"stands out|lost in the noise"):
        second_moments(np.clip(noise, -3, 3))


def core_and_ring(kind: str, share: float) -> Floats:
    dx, dy = plane(512, 255.3, 257.8)
    r = np.hypot(dx, dy)
    made = {
        "flat, gap": (annulus(512, 0, 20, 255.3, 257.8), annulus(512, 50, 110, 255.3, 257.8)),
        "flat, blurred": (
            gaussian_filter(annulus(512, 0, 20, 255.3, 257.8), 3),
            gaussian_filter(annulus(512, 45, 95, 255.3, 257.8), 3),
        ),
        "bell": (np.exp(-2 * (r / 22) ** 2), np.exp(-(((r - 80) / 18) ** 2))),
        "bell, near": (np.exp(-2 * (r / 30) ** 2), np.exp(-(((r - 62) / 18) ** 2))),
        "bell in flat": (np.exp(-2 * (r / 24) ** 2), gaussian_filter(annulus(512, 60, 120, 255.3, 257.8), 2)),
    }
    core, ring = made[kind]
    image = core / core.sum() * share + ring / ring.sum() * (1 - share)
    return image / image.max()


@pytest.mark.often("flat, gap")
@pytest.mark.parametrize(
    "kind",
    [
        "flat, gap",
        pytest.param("flat, blurred", marks=pytest.mark.long),
        "bell",
        pytest.param("bell, near", marks=pytest.mark.long),
        "bell in flat",
    ],
)
def test_half_of_the_power_in_a_faint_ring_is_found(kind: str) -> None:
    """Half in each, ring a few hundredths as bright as the core, 1 % noise: 50 % ± 0.5 %."""
    image = core_and_ring(kind, 0.5)
    noisy = image + 0.05 + 0.01 * np.random.default_rng(3).standard_normal(image.shape)
    found = power_shares(noisy, second_moments(noisy))
    assert found.how == "core and ring found"
    assert found.core == pytest.approx(0.5, abs=0.005)
    assert found.core + found.ring == pytest.approx(1)


@pytest.mark.often("0.8")
@pytest.mark.parametrize("share", [0.0, pytest.param(0.2, marks=pytest.mark.long), 0.8])
def test_other_splits_and_sizes(share: float) -> None:
    image = core_and_ring("flat, blurred", share)
    noisy = image + 0.01 * np.random.default_rng(9).standard_normal(image.shape)
    found = power_shares(noisy, second_moments(noisy))
    assert found.core == pytest.approx(share, abs=0.005)
    assert found.ring_diameter == pytest.approx(140, rel=0.01)
    assert found.ring_width == pytest.approx(50, rel=0.02)


def test_an_elliptic_ring_is_found() -> None:
    dx, dy = plane(512, 250, 260)
    r = np.hypot(dx / 1.4, dy)
    core, ring = np.exp(-2 * (r / 20) ** 2), np.exp(-(((r - 70) / 15) ** 2))
    image = 0.4 * core / core.sum() + 0.6 * ring / ring.sum()
    found = power_shares(image, second_moments(image))
    assert found.core == pytest.approx(0.4, abs=0.005)


def with_tail(share: float, degrees: float) -> Floats:
    dx, dy = plane(512, 255.3, 257.8)
    angle = math.radians(degrees)
    u, v = dx * math.cos(angle) + dy * math.sin(angle), dy * math.cos(angle) - dx * math.sin(angle)
    core = np.exp(-2 * (u**2 + v**2) / 30**2)
    tail = ((u > 0) & (u < 150)) * np.exp(-2 * (v / 25) ** 2)
    image = core / core.sum() * (1 - share) + tail / tail.sum() * share
    return image / image.max()


@pytest.mark.parametrize(("share", "degrees"), [(0.5, 180), (0.3, 200), (0.1, 60)])
def test_a_tail_is_found(share: float, degrees: float) -> None:
    image = with_tail(share, degrees)
    noisy = image + 0.02 + 0.01 * np.random.default_rng(2).standard_normal(image.shape)
    found = power_shares(noisy, second_moments(noisy))
    assert found.tail == pytest.approx(share, abs=0.005)
    assert found.tail_length == pytest.approx(0.95 * 150, abs=4)
    assert full_angle(found.tail_angle_deg - degrees) == pytest.approx(0, abs=1.5)
    assert found.core_diameter == pytest.approx(60, rel=0.02)


@pytest.mark.parametrize("name", ["spot", "flat", "wide wings"])
def test_one_spot_is_no_ring_and_no_tail(name: str) -> None:
    dx, dy = plane(400, 199, 201)
    r = np.hypot(dx, dy)
    image = {
        "spot": gaussian(400, 199, 201, 60, 40, 25),
        "flat": annulus(400, 0, 80, 199, 201),
        "wide wings": 1 / (1 + (r / 20) ** 2) ** 2,
    }[name]
    noisy = image + 0.01 * np.random.default_rng(6).standard_normal(image.shape)
    found = power_shares(noisy, second_moments(noisy))
    assert (found.core, found.ring, found.tail) == (1, 0, 0)


def test_two_spots_and_crescents_are_not_split_by_guessing() -> None:
    dx, dy = plane(400, 199, 201)
    twin = np.exp(-2 * ((dx - 50) ** 2 + dy**2) / 30**2) + np.exp(-2 * ((dx + 50) ** 2 + dy**2) / 30**2)
    crescent = np.where(dx > 0, np.exp(-(((np.hypot(dx, dy) - 60) / 15) ** 2)), 0)
    for image in (twin, crescent):
        found = power_shares(image, second_moments(image))
        assert math.isnan(found.core)
        assert "give the regions" in found.notes[0]


def test_regions_given() -> None:
    """Power of a Gaussian within r = w is 0.8647, within 1.5 w 0.98889 (analytic)."""
    image = gaussian(400, 199.4, 200.7, 40, 40, 0)
    moments = second_moments(image)
    found = power_shares(image, moments, GivenRegions(core_diameter=80, ring=(80, 120)))
    assert found.core == pytest.approx(0.8646647, abs=5e-4)
    assert found.ring == pytest.approx(0.9888910 - 0.8646647, abs=5e-4)
    assert found.core + found.ring + found.rest == pytest.approx(1)
    tail = power_shares(with_tail(0.5, 180), second_moments(with_tail(0.5, 180)), GivenRegions(
        centre=(255.3, 257.8), tail_from=60, tail_angle_deg=180))  # fmt: skip
    assert tail.tail == pytest.approx(0.5 * 90 / 150, abs=0.005)
    with pytest.raises(UsageError, match="must not overlap"):
        power_shares(image, moments, GivenRegions(core_diameter=80, ring=(60, 120)))
    with pytest.raises(UsageError, match="outside the picture"):
        power_shares(image, moments, GivenRegions(centre=(-4, 3), core_diameter=10))


def test_irradiance_of_a_gaussian() -> None:
    """Peak 2 P / (pi w²), mean over the second-moment ellipse P / (pi w²) (analytic)."""
    figures = beam_figures(BeamImage(gaussian(400, 199, 200, 40, 40, 0)), mm_per_px=0.005, power_w=2000)
    w = 40 * 0.005
    assert figures.peak_w_mm2 == pytest.approx(2 * 2000 / (math.pi * w * w), rel=5e-3)
    assert figures.mean_w_mm2 == pytest.approx(2000 / (math.pi * w * w), rel=2e-3)


def test_pictures_arrays_and_grids_say_the_same(tmp_path: Path) -> None:
    image = np.round(gaussian(120, 60, 58, 20, 14, 0) * 60_000)
    cv2.imwrite(str(tmp_path / "a.png"), image.astype(np.uint16))
    cv2.imwrite(str(tmp_path / "a.tif"), image.astype(np.uint16))
    np.save(tmp_path / "a.npy", image)
    np.savetxt(tmp_path / "a.csv", image, delimiter=";", fmt="%.1f")
    (tmp_path / "b.csv").write_text((tmp_path / "a.csv").read_text().replace(".", ","))
    for name in ("a.png", "a.tif", "a.npy", "a.csv", "b.csv"):
        assert np.array_equal(read_beam_image(tmp_path / name).values, image)


def test_files_that_are_no_intensities_are_refused(tmp_path: Path) -> None:
    rng = np.random.default_rng(1)
    cv2.imwrite(str(tmp_path / "colour.png"), rng.integers(0, 255, (20, 20, 3), dtype=np.uint8))
    (tmp_path / "bad.png").write_bytes(b"no picture")
    (tmp_path / "words.csv").write_text("a,b\n1,2\n")
    (tmp_path / "ragged.csv").write_text("1,2\n1\n")
    np.save(tmp_path / "flat.npy", np.ones((20, 20)))
    for name, error, word in [
        ("colour.png", UsageError, "false colours"),
        ("bad.png", ClipError, "cannot be read"),
        ("words.csv", UsageError, "no number"),
        ("ragged.csv", UsageError, "has 1 numbers"),
        ("flat.npy", UsageError, "no beam in it"),
        ("none.png", ClipError, "no such file"),
        ("a.docx", ClipError, "no such file"),
    ]:
        with pytest.raises(error, match=word):
            read_beam_image(tmp_path / name)


def test_saturation_is_said(tmp_path: Path) -> None:
    image = np.clip(gaussian(120, 60, 58, 20, 14, 0) * 300, 0, 255).astype(np.uint8)
    cv2.imwrite(str(tmp_path / "a.png"), image)
    assert "full scale" in read_beam_image(tmp_path / "a.png").notes[0]


def test_a_12_bit_peak_that_is_cut_in_a_16_bit_file_is_said(tmp_path: Path) -> None:
    light = gaussian(120, 60, 58, 20, 14, 0)
    for top, shift in ((4095, 0), (4095, 4), (1023, 0)):
        image = (np.clip(light * 1.4 * top, 0, top).astype(np.uint16)) << shift
        cv2.imwrite(str(tmp_path / "a.png"), image)
        assert "the peak is cut" in read_beam_image(tmp_path / "a.png").notes[0]
        cv2.imwrite(str(tmp_path / "b.png"), (light * 0.9 * top).astype(np.uint16) << shift)
        assert read_beam_image(tmp_path / "b.png").notes == ()


def test_a_dark_that_is_cut_off_is_said() -> None:
    rng = np.random.default_rng(4)
    noisy = 1000 * gaussian(300, 150, 148, 20, 14, 0) + rng.normal(0, 5, (300, 300))
    said = " ".join(beam_figures(BeamImage(np.maximum(noisy, 0)), mm_per_px=0.01).notes)
    assert "cut off at its lowest value" in said
    assert "cut off" not in " ".join(beam_figures(BeamImage(noisy + 30), mm_per_px=0.01).notes)


@pytest.mark.long
def test_a_foot_beyond_the_window_is_said() -> None:
    yy, xx = np.mgrid[0:600, 0:1400].astype(float)
    spot = np.exp(-2 * ((xx - 1000) ** 2 + (yy - 300) ** 2) / 30**2)
    tail = 0.02 * np.exp(-np.maximum(1000 - xx, 0) / 250) * (xx < 1000) * np.exp(-2 * (yy - 300) ** 2 / 30**2)
    said = " ".join(beam_figures(BeamImage(spot + tail), mm_per_px=0.01, background=0.0).notes)
    assert "beyond the window" in said
    assert "beyond" not in " ".join(beam_figures(BeamImage(spot), mm_per_px=0.01, background=0.0).notes)


def test_steps_of_8_bits_are_in_the_uncertainty(tmp_path: Path) -> None:
    """Gaussian beams of several widths in 8 bits: the true width is within three standard uncertainties, none is 0."""
    for width in (12.0, 20.3, 31.7):
        exact = 255 * gaussian(300, 150.3, 148.6, width, width, 0)
        cv2.imwrite(str(tmp_path / "a.png"), np.round(exact).astype(np.uint8))
        picture = read_beam_image(tmp_path / "a.png")
        found = second_moments(picture.values, step=picture.step)
        assert 0 < found.u_major < 0.02 * found.major
        assert abs(found.major - 2 * width) < 3 * found.u_major


def test_planned_values_stay_and_differences_are_said(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    np.save(tmp_path / "ring.npy", core_and_ring("flat, gap", 0.5))
    np.save(tmp_path / "tailed.npy", with_tail(0.3, 180))
    np.save(tmp_path / "spot.npy", gaussian(200, 99, 101, 20, 20, 0))
    manifest = tmp_path / "manifest.csv"
    planned = (
        "clip,beam_shape,replicate,factor_ring_share,factor_ring_diameter_mm,factor_tail_length_mm,"
        "factor_tail_direction_deg\n"
        "a,ring,1,0.5,1.2,0,\nb,tailed,1,0,absent,,-180\nc,spot,1,0,absent,0,absent\n"
    )
    manifest.write_text(planned)
    pictures = [str(tmp_path / f"{name}.npy") for name in ("ring", "tailed", "spot")]
    options = ["--mm-per-px", "10um", "--manifest", str(manifest)]
    assert main(["beam", *pictures, *options]) == 0
    printed = capsys.readouterr().out
    assert "ring: factor_ring_diameter_mm 1.2, measured 1.6" in printed
    assert printed.count("planned, not as measured") == 1
    table = pd.read_csv(manifest)
    assert table["factor_ring_diameter_mm"].tolist() == ["1.2", "absent", "absent"]
    assert table["factor_tail_direction_deg"].tolist() == ["absent", "-180", "absent"]
    assert float(table["factor_tail_length_mm"][1]) > 0.5
    assert list(table) == [*planned.splitlines()[0].split(","), "beam_picture", "beam_picture_mm_per_px"]
    # For the report, from the manifest's folder.
    assert table["beam_picture"].tolist() == ["ring.npy", "tailed.npy", "spot.npy"]
    assert table["beam_picture_mm_per_px"].tolist() == [0.01] * 3
    assert main(["beam", *pictures, *options, "--replace", "--all-figures"]) == 0
    table = pd.read_csv(manifest)
    assert float(table["factor_ring_diameter_mm"][0]) == pytest.approx(1.6, rel=0.01)
    assert "factor_core_share" in table


@pytest.mark.often("utf-8-sig", "cp1252")
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "cp1252", "utf-16"])
def test_a_manifest_goes_back_as_the_spreadsheet_saved_it(tmp_path: Path, encoding: str) -> None:
    np.save(tmp_path / "ring.npy", core_and_ring("flat, gap", 0.5))
    manifest = tmp_path / "manifest.csv"
    planned = (
        "clip;beam_shape;replicate;factor_focus_mm;factor_ring_diameter_mm;Prüfer\n"
        "a.avi;ring;1;-0,5;;-Jörg\nb.avi;other;1;1,5;absent;=x\n"
    )
    manifest.write_text(planned, encoding=encoding)
    options = ["--mm-per-px", "10um", "--manifest", str(manifest), "--all-figures"]
    assert main(["beam", str(tmp_path / "ring.npy"), *options]) == 0
    raw = manifest.read_bytes()
    assert raw.startswith(codecs.BOM_UTF8) == (encoding == "utf-8-sig")
    head, first, second = raw.decode(encoding).splitlines()
    assert head.startswith(planned.splitlines()[0] + ";factor_core_share;")
    assert first.startswith("a.avi;ring;1;-0,5;1,")
    assert ";-Jörg;" in first
    assert second.startswith("b.avi;other;1;1,5;absent;=x;")
    assert "." not in first.removeprefix("a.avi").replace("ring.npy", "")
    sheet = read_sheet(manifest)
    share = sheet.number(sheet.rows[0]["factor_core_share"])
    assert share == pytest.approx(0.5, abs=0.005)


def test_semicolons_without_any_decimals_mean_a_decimal_comma(tmp_path: Path) -> None:
    np.save(tmp_path / "ring.npy", core_and_ring("flat, gap", 0.5))
    manifest = tmp_path / "manifest.csv"
    for focus, mark in (("2", ","), ("2.5", ".")):
        manifest.write_text(f"clip;beam_shape;replicate;factor_focus_mm\na;ring;1;{focus}\n")
        options = ["--mm-per-px", "10um", "--manifest", str(manifest)]
        assert main(["beam", str(tmp_path / "ring.npy"), *options]) == 0
        assert f"0{mark}" in manifest.read_text().splitlines()[1]
        sheet = read_sheet(manifest)
        assert sheet.number(sheet.rows[0]["factor_ring_share"]) == pytest.approx(0.5, abs=0.005)


def test_command_and_factor_columns(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    np.save(tmp_path / "ring-50.npy", core_and_ring("flat, gap", 0.5))
    np.save(tmp_path / "tailed.npy", with_tail(0.3, 180))
    manifest = tmp_path / "manifest.csv"
    manifest.write_text(
        "clip,beam_shape,replicate,factor_focus_mm\na,ring-50,1,-1.5\nb,tailed,1,0\nc,other,1,2\n"
    )
    out = tmp_path / "beam.csv"
    pictures = [str(tmp_path / "ring-50.npy"), str(tmp_path / "tailed.npy")]
    options = ["--mm-per-px", "10um", "--power", "3kW", "--out", str(out), "--manifest", str(manifest)]
    assert main(["beam", *pictures, *options]) == 0
    printed = capsys.readouterr().out
    assert "power in the ring  50.0 %" in " ".join(printed.split("\n")).replace("      ", "  ")
    table = pd.read_csv(out)
    assert table["factor_core_share"].tolist() == pytest.approx([0.5, 0.7], abs=0.005)
    assert float(table["factor_ring_diameter_mm"][0]) == pytest.approx(1.6, rel=0.01)
    assert table["factor_ring_diameter_mm"][1] == "absent"
    assert table["factor_tail_length_mm"][0] == "absent"
    assert abs(float(table["factor_tail_direction_deg"][1])) == pytest.approx(180, abs=1)
    joined = pd.read_csv(manifest)
    assert joined["factor_focus_mm"].tolist() == [-1.5, 0, 2]
    assert joined["factor_ring_share"][:2].tolist() == pytest.approx([0.5, 0], abs=0.005)
    assert math.isnan(joined["factor_ring_share"][2])
    assert "'" not in manifest.read_text()


@pytest.mark.parametrize(
    ("arguments", "code", "word"),
    [
        (["--mm-per-px", "0"], 2, "above 0"),
        (["--mm-per-px", "10um", "--ring", "3"], 2, "IN..OUT"),
        (["--mm-per-px", "10um", "--centre", "3,4"], 2, "goes with"),
        (["--mm-per-px", "10um", "--beam-shape", "a", "--beam-shape", "b"], 2, "1 pictures but 2 names"),
    ],
)
def test_wrong_wishes(
    arguments: list[str], code: int, word: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    np.save(tmp_path / "a.npy", gaussian(100, 50, 50, 10, 10, 0))
    assert main(["beam", str(tmp_path / "a.npy"), *arguments]) == code
    assert word in capsys.readouterr().err
