"""The page for marking by hand in a real browser: from click to figure, by mouse, keyboard and touch."""

from __future__ import annotations

import json
import os
import re
from pathlib import Path

import numpy as np
import pytest

from poolwatch.cli.main import main
from poolwatch.measure import measure_clip, read_measurement
from poolwatch.simulate import Scene, write_simulation

SCENE = {
    "frames": 400,
    "seed": 5,
    "camera": {"width": 200, "height": 160, "mm_per_px": 0.03, "exposure_s": 2e-5, "direction_deg": 120.0},
    "pool": {"length": {"noise_sd": 0.02}, "width": {"noise_sd": 0.01}},
    "spatter": {"rate_per_s": 1200, "diameter_mm": 0.2},
}
ENDS = ("front", "rear", "left", "right")
STAGE = "document.getElementById('stage')"
# Name of a key as the browser calls it, and its code.
KEYS = {
    "Enter": 13,
    "Backspace": 8,
    "ArrowLeft": 37,
    "ArrowUp": 38,
    "ArrowRight": 39,
    "ArrowDown": 40,
    "Tab": 9,
}


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """A measured clip, travel upwards to the left, with its page."""
    place = tmp_path_factory.mktemp("marked")
    scene = Scene.checked(SCENE, where="test")
    clip = write_simulation(scene, place, format="npy")
    measured = measure_clip(
        clip,
        record_rate_hz=10_000,
        mm_per_px=0.03,
        travel_speed_mm_s=100,
        exposure_s=2e-5,
        travel_direction_deg=120.0,
    )
    out = measured.write(place / "weld #1")
    assert main(["handcheck", str(out)]) == 0
    return out


def opened(page, folder: Path) -> None:
    """The page as a person meets it for the first time."""
    page.open(folder / "handcheck.html")
    page.js("localStorage.clear()")
    page.open(folder / "handcheck.html")


def begin(page, person: str = "AB", number: int = 1) -> None:
    page.js(
        f"document.getElementById('person').value = {person!r}; document.getElementById('round').value = '{number}';"
        "document.getElementById('who').requestSubmit()"
    )
    page.wait(f"{STAGE}.dataset.shown")


def shown(page) -> int:
    """Number of the frame that is shown; -1 where none is."""
    page.wait(f"{STAGE}.dataset.shown")
    return int(page.js(f"{STAGE}.dataset.shown").split(",")[0])


def screen(page, place: np.ndarray, size: tuple[int, int]) -> tuple[float, float]:
    """Where a place of the picture (px) is on the screen while the whole picture is shown."""
    left, top, width, height = page.js(
        f"(() => {{ const b = {STAGE}.getBoundingClientRect(); return [b.left, b.top, b.width, b.height]; }})()"
    )
    scale = min(width / size[0], height / size[1])
    return (
        left + (width - scale * size[0]) / 2 + (place[0] + 0.5) * scale,
        top + (height - scale * size[1]) / 2 + (place[1] + 0.5) * scale,
    )


def ends_of(measured, frame: int) -> np.ndarray:
    """Front, rear, left and right as measured, pool axes, px."""
    from poolwatch.pool.geometry import SHARP, extents

    x, y = np.ascontiguousarray(measured.outlines(frame).T)
    (ux, uy), (vx, vy) = measured.axes.matrix.tolist()
    origin = measured.axes.matrix @ (measured.axes.origin_x, measured.axes.origin_y)
    return np.array(extents(x, y, ux, uy, vx, vy, SHARP)) - origin[[0, 0, 1, 1]]


def press(page, key: str) -> None:
    code = KEYS.get(key, ord(key.upper()[0]))
    extra = {"text": "\r"} if key == "Enter" else {"text": key} if len(key) == 1 else {}
    page.do("Input.dispatchKeyEvent", type="keyDown", key=key, code=key, windowsVirtualKeyCode=code, **extra)
    page.do("Input.dispatchKeyEvent", type="keyUp", key=key, code=key, windowsVirtualKeyCode=code)


def test_from_click_to_figure(page, folder, tmp_path):
    measured = read_measurement(folder)
    mm, size = measured.axes.mm_per_px, (200, 160)
    rng = np.random.default_rng(8)
    error = {}
    opened(page, folder)
    begin(page)
    clicks = 0
    for count in range(20):
        frame = shown(page)
        assert frame not in error
        error[frame] = rng.normal(scale=1.0, size=4) + (0.8, 0, 0, -0.5)
        marked = ends_of(measured, frame) + error[frame]
        for end, value in enumerate(marked):
            # Anywhere along the line: only the coordinate across it counts.
            along = rng.uniform(-15, 15)
            pool = (value, along) if end < 2 else (along - 20, value)
            page.click(*screen(page, measured.axes.image(np.array(pool) * mm), size))
            clicks += 1
        if count == 11:
            # The browser is closed and opened again.
            page.open(folder / "handcheck.html")
            page.js("document.querySelector('#kept-list button').click()")
    assert clicks == 80
    assert page.js("document.getElementById('summary').textContent").startswith(
        "AB, round 1: 20 of 20 frames done."
    )

    # Particles: each where the tool sees it first in the run; one of them is not marked.
    page.js("document.querySelector('[data-do=particles]').click()")
    numbers = page.js("JSON.parse(document.getElementById('data').textContent).run.map(f => f.frame)")
    tracks = measured.tracks[(measured.tracks["particle"] > 0) & measured.tracks["frame"].isin(numbers)]
    first = tracks.sort_values("frame", kind="stable").drop_duplicates("particle")
    assert len(first) >= 2
    for number in numbers:
        for row in first[1:].itertuples():
            if row.frame == number:
                page.click(*screen(page, np.array([row.x_px + 1.5, row.y_px - 1.0]), size))
        press(page, "n")
    page._browser.call(
        "Browser.setDownloadBehavior", None, {"behavior": "allow", "downloadPath": str(tmp_path)}
    )
    page.js("document.getElementById('save').click()")
    page.wait("document.getElementById('saved').textContent.startsWith('Saved')")
    saved = tmp_path / "handcheck-clip-npy-AB-round1.csv"
    deadline = 200
    while not saved.exists() and deadline:
        page.wait("true")
        deadline -= 1
    assert page.errors == []
    assert [r for r in page.requests if not r.startswith(("file:", "data:", "blob:"))] == []

    assert main(["handcheck", str(folder), "--marks", str(saved)]) == 0
    check = json.loads((folder / "run.json").read_text(encoding="utf-8"))["handcheck"]
    random = [frame for frame in sorted(error) if frame not in check["worst_moments"]]
    away = np.array([-error[frame] for frame in random])
    for name, values in zip(ENDS, away.T, strict=True):
        assert check["quantities"][name]["bias"]["value"] == pytest.approx(values.mean(), abs=0.02)
        assert check["quantities"][name]["sd"] == pytest.approx(values.std(ddof=1), abs=0.02)
    for name, (a, b) in {"length": (0, 1), "width": (2, 3)}.items():
        table = measured.frames[f"pool_{name}_mm"].to_numpy()[random] / mm
        ends = np.array([ends_of(measured, frame) for frame in random])
        values = away[:, a] - away[:, b] + table - (ends[:, a] - ends[:, b])
        found = check["quantities"][name]
        assert found["bias"]["value"] == pytest.approx(values.mean(), abs=0.02)
        half = 1.96 * values.std(ddof=1)
        assert found["upper"]["value"] == pytest.approx(values.mean() + half, abs=0.04)
        assert found["lower"]["value"] == pytest.approx(values.mean() - half, abs=0.04)
    found = check["particles"]["AB, round 1"]
    assert found["marked"] == found["found"] == len(first) - 1
    assert found["counted"] == len(first)


def test_keyboard_alone(page, folder):
    opened(page, folder)
    page.js("document.getElementById('person').focus()")
    page.do("Input.insertText", text="CD")
    press(page, "Enter")
    frame = shown(page)
    assert page.js("document.activeElement.id") == "stage"
    before = page.js("document.getElementById('place').textContent")
    press(page, "ArrowRight")
    press(page, "+")
    after = page.js("document.getElementById('place').textContent")
    scale = [float(re.search(r"enlarged ([\d.]+)", words).group(1)) for words in (before, after)]
    assert scale[1] == pytest.approx(1.5 * scale[0], abs=0.06)
    moved = [float(re.search(r"x ([\d.]+)", words).group(1)) for words in (before, after)]
    assert moved[1] - moved[0] == pytest.approx(2 / scale[0], abs=0.06)
    for _ in range(3):
        press(page, "Enter")
    assert page.js("document.getElementById('step').textContent").endswith("right")
    press(page, "u")
    assert page.js("document.getElementById('step').textContent").endswith("left")
    press(page, "Enter")
    press(page, "Enter")
    assert shown(page) != frame
    # Undo goes back over the frame.
    press(page, "Backspace")
    assert shown(page) == frame
    press(page, "x")
    assert "19 left" in page.js("document.getElementById('progress').textContent")
    press(page, ".")
    page.wait(f"{STAGE}.dataset.shown.endsWith(',1')")
    press(page, "Enter")
    assert page.js(f"{STAGE}.dataset.shown").endswith(",0")
    raised = "document.querySelector('[data-do=tone]').getAttribute('aria-pressed')"
    grey = (
        "(() => { const c = document.createElement('canvas'); c.width = c.height = 50; const d = c.getContext('2d',"
        f" {{willReadFrequently: true}}); d.drawImage({STAGE}, 0, 0, 50, 50);"
        " return d.getImageData(0, 0, 50, 50).data.reduce((a, b) => a + b, 0); })()"
    )
    assert page.js(raised) == "false"
    dark = page.js(grey)
    press(page, "t")
    assert page.js(raised) == "true"
    assert page.js(grey) > dark + 1000
    press(page, "t")
    # Every button can be reached by Tab.
    seen = set()
    for _ in range(25):
        press(page, "Tab")
        seen.add(page.js("document.activeElement.textContent"))
    assert {"Front", "Rear", "Place", "Undo", "Cannot see", "Next", "Overview"} <= seen
    assert page.errors == []


def test_touch_sets_the_line_and_a_button_places_it(page, folder):
    page.do("Emulation.setTouchEmulationEnabled", enabled=True)
    page.size(390, 844)
    opened(page, folder)
    begin(page, "EF")
    x, y = screen(page, np.array([120.0, 40.0]), (200, 160))
    for kind, points in (("touchStart", [{"x": x, "y": y}]), ("touchEnd", [])):
        page.do("Input.dispatchTouchEvent", type=kind, touchPoints=points)
    words = page.js("document.getElementById('place').textContent")
    assert words.startswith("x 120.0, y 40.0 px")
    assert page.js("document.getElementById('step').textContent").endswith("front")
    # A drag moves the line half as far as the finger.
    scale = float(re.search(r"enlarged ([\d.]+)", words).group(1))
    for kind, by in (("touchStart", 0), ("touchMove", 20), ("touchMove", 40), ("touchEnd", None)):
        points = [] if by is None else [{"x": x + by, "y": y}]
        page.do("Input.dispatchTouchEvent", type=kind, touchPoints=points)
    moved = float(re.search(r"x ([\d.]+)", page.js("document.getElementById('place').textContent")).group(1))
    assert moved - 120.0 == pytest.approx(20 / scale, rel=0.1)
    page.js("document.querySelector('[data-do=place]').click()")
    assert page.js("document.getElementById('step').textContent").endswith("rear")
    # Two fingers enlarge.
    fingers = [[{"x": x - g, "y": y, "id": 0}, {"x": x + g, "y": y, "id": 1}] for g in (20, 30, 40)]
    for kind, points in (
        ("touchStart", fingers[0]),
        ("touchMove", fingers[1]),
        ("touchMove", fingers[2]),
        ("touchEnd", []),
    ):
        page.do("Input.dispatchTouchEvent", type=kind, touchPoints=points)
    now = float(
        re.search(r"enlarged ([\d.]+)", page.js("document.getElementById('place').textContent")).group(1)
    )
    assert now == pytest.approx(2 * scale, rel=0.1)
    assert page.errors == []


def test_second_round_has_another_order_and_partial_marks_are_not_saved(page, folder):
    opened(page, folder)
    orders = []
    for number in (1, 2):
        begin(page, "AB", number)
        order = []
        for _ in range(20):
            order.append(shown(page))
            press(page, "n")
        orders.append(order)
        assert page.js("document.getElementById('save').disabled")
        page.js("document.querySelector('[data-do=again]').click()")
    assert sorted(orders[0]) == sorted(orders[1])
    assert orders[0] != orders[1]


def test_marks_made_in_another_tab_are_kept(page, folder):
    opened(page, folder)
    begin(page)
    stored = "JSON.parse(localStorage.getItem(Object.keys(localStorage)[0]))"
    page.js(
        f"(() => {{ const book = {stored}; book.sheets['CD\\n1'] = {{ ...book.sheets['AB\\n1'], person: 'CD' }};"
        " localStorage.setItem(Object.keys(localStorage)[0], JSON.stringify(book)); })()"
    )
    press(page, "x")
    assert page.js(f"Object.values({stored}.sheets).map(s => s.person + Object.keys(s.marks).length)") == [
        "AB1",
        "CD0",
    ]


@pytest.mark.parametrize("width", [390, 1280, 2560])
def test_nothing_is_wider_than_the_screen_and_all_tools_are_in_view(page, folder, width):
    page.size(width, 844 if width == 390 else 800)
    opened(page, folder)
    assert page.js("document.documentElement.scrollWidth") <= width
    begin(page)
    assert page.js("document.documentElement.scrollWidth") <= width
    assert page.js("document.querySelector('[data-do=overview]').getBoundingClientRect().bottom") <= 844
    assert page.js(f"{STAGE}.getBoundingClientRect().height") > 250


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_axe_finds_no_fault(page, folder, scheme):
    """Needs the file axe.min.js of the npm package axe-core (MPL 2.0), which is too large to keep here."""
    place = os.environ.get("AXE_CORE", "")
    if not Path(place).is_file():
        pytest.skip("set AXE_CORE to the path of axe.min.js (npm package axe-core) to run this check")
    page.do("Emulation.setEmulatedMedia", features=[{"name": "prefers-color-scheme", "value": scheme}])
    opened(page, folder)
    page.do("Runtime.evaluate", expression=Path(place).read_text(encoding="utf-8"))
    run = "axe.run().then(r => r.violations.map(v => [v.id, v.impact, v.nodes[0].html]))"
    assert page.js(run) == []
    begin(page)
    assert page.js(run) == []
    page.js("document.querySelector('[data-do=overview]').click()")
    assert page.js(run) == []
