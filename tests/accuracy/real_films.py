"""What poolwatch gives on real recordings against outside figures; writes REAL.md and its pictures beside this file.

Run it as ``python tests/accuracy/real_films.py``. The recordings lie beside some checkouts; what is not there is left
out, and where nothing is there the page stays as it is.
"""

from __future__ import annotations

import sys
import warnings
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np

from poolwatch.model.errors import MeasurementError
from poolwatch.pool import PoolSettings, find_pool, learn_pool
from poolwatch.scale.lens import calibrate_lens
from poolwatch.scale.photo import read_photo
from poolwatch.scale.target import Target, find_target
from poolwatch.spatter import SpatterSettings, detect, learn, link, particles

HERE = Path(__file__).resolve().parent
REAL = HERE.parents[2] / "shared" / "real"
BLUE, YELLOW = (233, 180, 86), (66, 228, 240)


@dataclass(frozen=True)
class Row:
    """One figure: what, poolwatch's, the outside one with where it comes from, and how far off."""

    what: str
    ours: str
    outside: str
    off: str


@dataclass(frozen=True)
class Part:
    """One recording: what it is, its licence, rows, a picture and what that shows."""

    title: str
    about: str
    licence: str
    rows: list[Row]
    picture: np.ndarray
    caption: str
    name: str


def stack(name: str) -> np.ndarray:
    """All pictures of a folder, native depth."""
    return np.array([cv2.imread(str(p), cv2.IMREAD_UNCHANGED) for p in sorted((REAL / name).glob("*.png"))])


def shown(frame: np.ndarray, white: float, size: int) -> tuple[np.ndarray, float]:
    """A frame as a small BGR picture, and by how much it was enlarged."""
    grey = np.clip(frame / white * 255, 0, 255).astype(np.uint8)
    factor = size / max(grey.shape)
    small = cv2.resize(grey, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA)
    return cv2.cvtColor(small, cv2.COLOR_GRAY2BGR), factor


def at(points: np.ndarray, factor: float) -> np.ndarray:
    """Picture px of a frame to those of its small picture, in sixteenths as OpenCV draws."""
    return np.rint(((np.asarray(points) + 0.5) * factor - 0.5) * 16).astype(np.int32)


def ball() -> Part:
    """Diameter and speed of a falling ball against scikit-image's regions."""
    from skimage.filters import threshold_otsu
    from skimage.measure import label, regionprops
    from skimage.segmentation import clear_border

    frames = stack("falling-ball")
    settings = SpatterSettings(polarity="dark", background="even", max_diameter_px=200)
    look = learn(frames, full_scale=4095, settings=settings)
    seen = detect(frames, None, look, settings)
    tracks = link(seen, np.ones(len(frames), dtype=bool), frames.shape[1:], settings)
    found = particles(tracks, look, None, exposure_frames=30_000 / 50_000, settings=settings).particles
    own = found.loc[found["diameter_px"].idxmax()]
    # Whole regions only: the ground reaches out of the picture. The ball's glint is a hole in it.
    regions = [
        max(regionprops(label(clear_border(frame < threshold_otsu(frame)))), key=lambda r: r.area_filled)
        for frame in frames
    ]
    size = float(np.mean([2 * np.sqrt(region.area_filled / np.pi) for region in regions]))
    places = np.array([np.argwhere(region.image_filled).mean(axis=0) + region.bbox[:2] for region in regions])
    down, aside = (np.polyfit(np.arange(len(frames)), places[:, k], 1)[0] for k in (0, 1))
    picture, factor = shown(frames[7], 4095, 260)
    sighting = seen[seen["frame"] == 7]
    sighting = sighting[np.argmax(sighting["signal"])]
    centre = tuple(int(v) for v in at(np.array([sighting["x"], sighting["y"]]), factor))
    cv2.circle(picture, centre, round(own["diameter_px"] / 2 * factor * 16), BLUE, 1, cv2.LINE_AA, 4)
    by = "scikit-image, Otsu's threshold: equal-area diameter, line through centroids"
    return Part(
        "A falling ball",
        "15 frames of a dark ball on a bright, partly saturated ground, 30,000 frames/s, 384 x 384 px.",
        "MIT, © 2024 LADISK",
        [
            compared("diameter, px", own["diameter_px"], size, by, 2),
            compared("speed down, px a frame", own["vy_px"], down, by, 3),
            compared("speed sideways, px a frame", own["vx_px"], aside, by, 3),
        ],
        picture,
        "Frame 8: the circle has the diameter that was measured.",
        "ball",
    )


def compared(what: str, ours: float, outside: float, by: str, places: int) -> Row:
    """A row of two numbers."""
    return Row(
        what,
        f"{ours:.{places}f}",
        f"{outside:.{places}f} ({by})".replace("-0.", "−0."),
        f"{ours - outside:+.{places}f}".replace("-", "−"),
    )


def powder() -> Part:
    """Length and width of a saturated pool against the contour at half of full scale."""
    from skimage.measure import find_contours

    rows, pictures = [], []
    # Read off the pictures by eye: the clipped teardrop, and the clipped pool among spatter.
    by_eye = {"normal": ("55 to 80", "33 to 46"), "spatters": ("75 to 95", "42 to 58")}
    for kind, seen in by_eye.items():
        frame = bed(kind)
        look = learn_pool(frame[None], 4095 * 16.0, forward=(0.0, -1.0), settings=PoolSettings())
        pool = find_pool(frame, look, forward=(0.0, -1.0), settings=PoolSettings())
        contour = max(find_contours(frame.astype(float), 4095 * 8.0), key=len)
        for name, ours, axis in (
            ("length", pool.front - pool.rear, 0),
            ("width", pool.left - pool.right, 1),
        ):
            by = f"scikit-image: contour at half of full scale; by eye {seen[axis]}"
            rows.append(compared(f"{name}, frame “{kind}”, px", ours, float(np.ptp(contour[:, axis])), by, 1))
        picture, factor = shown(frame, 65_535.0, 300)
        cv2.polylines(picture, [at(contour[:, ::-1], factor)], True, YELLOW, 1, cv2.LINE_AA, 4)
        cv2.polylines(picture, [at(pool.vertices, factor)], True, BLUE, 1, cv2.LINE_AA, 4)
        middle = np.rint(at(pool.vertices, factor).mean(axis=0) / 16).astype(int)
        top, left = (max(0, int(v) - 65) for v in (middle[1], middle[0]))
        pictures.append(cv2.resize(picture[top : top + 130, left : left + 130], (260, 260)))
    try:
        learn_pool(bed("none")[None], 4095 * 16.0, forward=(0.0, -1.0), settings=PoolSettings())
        none = "a pool"
    except MeasurementError:
        none = "no pool"
    rows.append(
        Row("frame “none”", none, "no pool (its name in the data set)", "–" if none == "no pool" else "wrong")
    )
    return Part(
        "Laser powder-bed melt pools",
        "Three single frames of Ti-6Al-4V, 512 x 512 px, 12 bits; more than a third of the pool is saturated, with plume and a faint tail. No scale is known.",
        "MIT, © 2022 HaolinCMU",
        rows,
        np.hstack(pictures),
        "Blue: outline measured; yellow: contour at half of full scale. The outline follows the steepest step, which a saturated pool hides: half of full scale is a level, not the edge.",
        "powder",
    )


def bed(kind: str) -> np.ndarray:
    """A powder-bed frame without the grey bars at its sides, an artefact of the acquisition."""
    path = next((REAL / "powder-bed-frames").glob(f"{kind}_*.png"))
    return np.ascontiguousarray(cv2.imread(str(path), cv2.IMREAD_UNCHANGED)[:, 34:478])


def board() -> Part:
    """Focal length and residual of a chessboard calibration against the published one."""
    target = Target("checkerboard", 9, 6, 25.0)
    photos = sorted((REAL / "checkerboard").glob("left*.jpg"))
    sightings = [find_target(read_photo(path), target) for path in photos]
    fit = calibrate_lens(sightings, target, (640, 480))
    store = cv2.FileStorage(str(REAL / "checkerboard" / "left_intrinsics.yml"), cv2.FILE_STORAGE_READ)
    focal = float(store.getNode("camera_matrix").mat()[0, 0])
    residual = float(store.getNode("avg_reprojection_error").real())
    # The board alone, without who holds it.
    corners = sightings[0].points
    left, top = np.floor(corners.min(axis=0)).astype(int) - 14
    right, bottom = np.ceil(corners.max(axis=0)).astype(int) + 14
    picture, factor = shown(read_photo(photos[0])[top:bottom, left:right], 255.0, 300)
    for x, y in at(corners - (left, top), factor):
        cv2.circle(picture, (int(x), int(y)), 40, YELLOW, 1, cv2.LINE_AA, 4)
    by = "published with the photos"
    return Part(
        "Photos of a chessboard",
        "13 hand-held photos, 640 x 480 px, of a board of 9 x 6 corners, 25 mm apart.",
        "OpenCV samples, Apache 2.0",
        [
            compared("focal length, px", fit.lens.camera_matrix[0, 0], focal, by, 2),
            compared("residual of the corners, px rms", fit.rms_px, residual, by, 3),
        ],
        picture,
        "First photo: the corners that were found. The published corners are refined in a window of 11 px, which takes in neighbours; a window that holds one corner fits better.",
        "board",
    )


def beads() -> Part:
    """Places of beads against trackpy's."""
    import trackpy

    frames = stack("beads")
    settings = SpatterSettings(
        background="even", detection_level=10, psf_sigma_px=1.5, max_diameter_px=20, max_step_px=12
    )
    seen = detect(frames, None, learn(frames, full_scale=255, settings=settings), settings)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        trackpy.quiet()
        spots = trackpy.batch(frames, 21, minmass=900, processes=1)
    found, away = [], []
    for k in range(len(frames)):
        a, b = seen[seen["frame"] == k], spots[spots["frame"] == k]
        d = np.hypot(a["x"][:, None] - b["x"].to_numpy(), a["y"][:, None] - b["y"].to_numpy()).min(axis=0)
        found.append(np.mean(d < 2))
        away += list(d[d < 2])
    picture, factor = shown(frames[0], 255.0, 320)
    for one in seen[seen["frame"] == 0]:
        x, y = at(np.array([one["x"], one["y"]]), factor)
        cv2.drawMarker(picture, (int(x) >> 4, int(y) >> 4), BLUE, cv2.MARKER_CROSS, 7, 1)
    by = "trackpy, window of 21 px"
    return Part(
        "Beads under a microscope",
        "30 frames, 500 x 500 px, of bright beads in dark rings.",
        "CC BY 3.0, trackpy-examples contributors; scaled down, marks drawn in",
        [
            Row("beads that both find", f"{100 * np.mean(found):.0f} %", f"100 % ({by})", "–"),
            Row(
                "distance of their places, median, px",
                f"{np.median(away):.2f}",
                f"0 ({by})",
                "beads are lit from the side, a centroid follows the brighter half",
            ),
        ],
        picture,
        "First frame: the beads that were found.",
        "beads",
    )


PARTS: dict[str, Callable[[], Part]] = {
    "falling-ball": ball,
    "powder-bed-frames": powder,
    "checkerboard": board,
    "beads": beads,
}


def page(parts: list[Part]) -> str:
    """The page as Markdown."""
    lines = [
        "# Tried on real recordings",
        "",
        "Written by `python tests/accuracy/real_films.py`. No open film of a laser weld with known lengths exists, so this "
        "shows single steps of the measuring at work on real cameras' pictures. It is no proof for your footage: check that "
        "with `poolwatch handcheck`. The recordings are not ours; the small pictures are made "
        "from them under the licence named.",
    ]  # fmt: skip
    for part in parts:
        lines += ["", f"## {part.title}", "", f"{part.about} Licence: {part.licence}.", ""]
        lines += ["| figure | poolwatch | outside | poolwatch − outside |", "| --- | --- | --- | --- |"]
        lines += [f"| {row.what} | {row.ours} | {row.outside} | {row.off} |" for row in part.rows]
        lines += ["", f"![{part.caption}](real/{part.name}.png)", "", part.caption]
    return "\n".join(lines) + "\n"


def write(folder: Path = HERE) -> list[Part]:
    """Write the page and its pictures into a folder; what is not there is left out, and named."""
    parts = []
    for name, make in PARTS.items():
        if (REAL / name).is_dir():
            parts.append(make())
        else:
            print(f"{name}: not beside this checkout, left out", file=sys.stderr)
    if parts:
        (folder / "real").mkdir(exist_ok=True)
        for part in parts:
            # Few greys: the pictures stay at some kilobytes.
            few = (part.picture // 8) * 8 + 4
            cv2.imwrite(str(folder / "real" / f"{part.name}.png"), few, [cv2.IMWRITE_PNG_COMPRESSION, 9])
        (folder / "REAL.md").write_text(page(parts), encoding="utf-8")
    return parts


if __name__ == "__main__":
    if not write():
        print("no real recordings beside this checkout: nothing written", file=sys.stderr)
