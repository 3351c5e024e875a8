"""The report as people meet it: opened from disk in a real browser, clicked, played, printed, read aloud."""

from __future__ import annotations

import base64
import itertools
import os
import re
from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest

from poolwatch.model.tables import RANKING
from poolwatch.show.overlay import OverlayChoices, OverlayPainter, draw_overlay
from poolwatch.show.report import ClipEvidence, TrialEvidence, clip_report, trial_report
from poolwatch.show.report import clip as clip_page
from poolwatch.show.stills.outline import gather_space_time

pytestmark = pytest.mark.slow

NASTY = "<script>document.title='harm'</script>"
SHOW = "document.querySelector('.watch')"
TRIAL_DPI = 132.0
"""Dots an inch of the figures of a clip in a trial's page."""
PAPER = 703
"""Width of an A4 sheet within margins of 12 mm, CSS px: 186 mm of 96 px an inch."""


def stills(clip):
    """A frame as pages show it, and as it is in the video."""
    bare, whole = (
        OverlayPainter(clip.result, clip.shape, bare=bare).paint(clip.frame(300), 300)
        for bare in (True, False)
    )
    return bare, whole


@pytest.fixture(scope="module")
def one_clip(drawn, tmp_path_factory):
    """A report of one clip: an overlay of the thinned clip and excerpts, in a folder with an awkward name."""
    folder = tmp_path_factory.mktemp("clip")
    clip = drawn(name=NASTY, shape=(64, 128), frames=900, bad=(450,), seed=21)
    (folder / "a #1 50%?").mkdir()
    segments = draw_overlay(
        folder / "a #1 50%?" / "overlay.mp4", clip.read, clip.result, OverlayChoices(max_seconds=10)
    )
    still, poster = stills(clip)
    path = folder / "report.html"
    clip_report(
        path, ClipEvidence(clip.result, "a #1 50%?/overlay.mp4", segments, still=still, poster=poster)
    )
    return path, clip, segments


@pytest.fixture(scope="module")
def trial(drawn, tmp_path_factory):
    """A trial of 40 clips of 1,200 frames, one with a hostile name."""
    folder = tmp_path_factory.mktemp("trial")
    monkeypatch = pytest.MonkeyPatch()
    clip = drawn(shape=(128, 256), frames=1200, seed=22, bad=(30,))
    shapes = ("crescent", "flat-top", "twin-spot", NASTY)
    results = []
    for i in range(40):
        name = NASTY if i == 7 else f"weld_{i:02}"
        score = clip.result.score.assign(
            clip=name, clip_id=f"id{i}", beam_shape=shapes[i % 4], stability_index=80.0 - i
        )
        results.append(replace(clip.result, name=name, score=score))
    scores = pd.concat([r.score for r in results], ignore_index=True)
    scores["factor_power_kw"] = [2.0 + 0.5 * (i % 2) for i in range(40)]
    scores["outcome_strength_mpa"] = 500.0 + scores["stability_index"]
    ranking = RANKING.frame(
        [
            {"rank": i + 1, "beam_shape": s, "clips": 10, "stability_index": 70.0 - i}
            for i, s in enumerate(shapes)
        ]
    )
    still, poster = stills(clip)
    line = gather_space_time(list(clip.read(list(range(0, 1200, 3)))), clip.result)
    path = folder / "report.html"
    # Drawing the stills of 40 clips takes a minute; those of one stand for all, so the page weighs the same.
    pictures = clip_page._figures(ClipEvidence(clip.result, space_time=line), TRIAL_DPI)
    monkeypatch.setattr(clip_page, "_figures", lambda evidence, dpi: pictures)
    trial_report(
        path,
        TrialEvidence(
            name=f"Trial {NASTY}",
            ranking=ranking,
            scores=scores,
            reading=["crescent is steadier than flat-top.", f"nothing is known of {NASTY}"],
            clips=(
                ClipEvidence(r, f"{i}/overlay.mp4", still=still, poster=poster) for i, r in enumerate(results)
            ),
            excluded=[(NASTY, "no steady part")],
            run={"weights": {NASTY: 1}},
        ),
    )
    monkeypatch.undo()
    return path


def frame_shown(page, segments) -> int:
    """The frame that stands in the video at its current time."""
    rate = segments[0].playback_rate_hz
    picture = int(page.js(f"{SHOW}.querySelector('video').currentTime") * rate + 1e-3)
    for segment in segments:
        if picture < segment.pictures:
            return int(segment.frames[picture // segment.hold])
        picture -= segment.pictures
    raise AssertionError("the video stands behind its end")


def cursor_frame(page) -> int:
    return int(page.js(f"{SHOW}.querySelector('.scrub').getAttribute('aria-valuenow')"))


def test_opens_from_disk_without_error_or_network(page, one_clip):
    path, _, _ = one_clip
    page.open(path)
    page.js(f"{SHOW}.querySelector('video').load()")
    page.wait(f"{SHOW}.querySelector('video').readyState >= 2")
    assert page.errors == []
    assert [r for r in page.requests if not r.startswith(("file:", "data:"))] == []
    assert page.js("document.title") == f"{NASTY} · poolwatch report"
    assert page.js("document.querySelector('h1').textContent") == NASTY


@pytest.mark.parametrize("share", [0.1, 0.5, 0.77])
def test_click_in_a_series_moves_the_video_to_that_frame(page, one_clip, share):
    path, clip, segments = one_clip
    page.open(path)
    page.js(f"{SHOW}.querySelector('.series').scrollIntoView({{block: 'center'}})")
    box = page.js(
        f"(() => {{ const b = {SHOW}.querySelector('.scrub').getBoundingClientRect();"
        " return [b.left, b.top, b.width, b.height]; })()"
    )
    page.click(box[0] + share * box[2], box[1] + box[3] / 2)
    page.wait(f"!{SHOW}.querySelector('video').seeking && {SHOW}.querySelector('video').readyState >= 2")
    page.wait(f"{SHOW}.querySelector('video').currentTime > 0")
    wanted = round(share * (clip.count - 1))
    assert abs(cursor_frame(page) - wanted) <= 1
    # The nearest frame that the video holds: it may be thinned there, but no nearer one is passed over.
    held = {int(f) for s in segments for f in s.frames}
    nearest = min(abs(f - cursor_frame(page)) for f in held)
    assert abs(frame_shown(page, segments) - cursor_frame(page)) <= nearest + 1
    assert page.errors == []


def test_every_frame_of_an_excerpt_can_be_reached(page, one_clip):
    path, _, segments = one_clip
    page.open(path)
    excerpt = segments[1]
    for wanted in (int(excerpt.frames[3]), int(excerpt.frames[-2])):
        page.js(f"{SHOW}.querySelector('.scrub').focus()")
        page.js(
            f"(() => {{ const s = {SHOW}.querySelector('.scrub'); const by = {wanted} - Number(s.getAttribute('aria-valuenow'));"
            " for (let i = 0; i < Math.abs(by); i++) s.dispatchEvent(new KeyboardEvent('keydown',"
            " {key: by > 0 ? 'ArrowRight' : 'ArrowLeft', bubbles: true})); })()"
        )
        page.wait(f"{SHOW}.querySelector('video').readyState >= 2 && !{SHOW}.querySelector('video').seeking")
        assert cursor_frame(page) == wanted
        assert frame_shown(page, segments) == wanted


def test_cursor_runs_along_while_the_video_plays(page, one_clip):
    path, _, segments = one_clip
    page.open(path)
    page.js(f"{SHOW}.querySelector('video').play()")
    page.wait(f"{SHOW}.querySelector('video').currentTime > 0.5")
    page.js(f"{SHOW}.querySelector('video').pause()")
    page.wait(f"!{SHOW}.querySelector('video').seeking")
    step = int(segments[0].frames[1] - segments[0].frames[0])
    page.wait(f"Number({SHOW}.querySelector('.scrub').getAttribute('aria-valuenow')) > {step}")
    # One picture may pass between the last call back and the pause.
    assert abs(cursor_frame(page) - frame_shown(page, segments)) <= 3 * step
    assert page.errors == []


def test_keyboard_zoom_and_read_out(page, one_clip):
    path, clip, _ = one_clip
    page.open(path)
    page.js(f"{SHOW}.querySelector('.scrub').focus()")
    page.key("End", 35)
    assert cursor_frame(page) == clip.count - 1
    page.key("Home", 36)
    page.key("ArrowRight", 39)
    assert cursor_frame(page) == 1
    said = page.js(f"{SHOW}.querySelector('.scrub').getAttribute('aria-valuetext')")
    assert said == "t = 0.100 ms, frame 1"
    shown = page.js(f"{SHOW}.querySelector('.now').textContent")
    assert float(shown) == pytest.approx(clip.result.series("pool_length_mm")[1], abs=0.006)
    page.js(f"{SHOW}.querySelector('button[data-zoom=\"2\"]').click()")
    view = [float(v) for v in page.js(f"{SHOW}.querySelector('.plot svg').getAttribute('viewBox')").split()]
    assert view[2] == pytest.approx(500, rel=0.01)
    assert page.js(f"{SHOW}.querySelector('.axis').textContent").endswith("ms")


def test_without_its_video_the_page_says_so(page, drawn, tmp_path):
    clip = drawn(shape=(64, 128), frames=100)
    clip_report(tmp_path / "report.html", ClipEvidence(clip.result, "gone/overlay.mp4"))
    page.open(tmp_path / "report.html")
    page.js(f"{SHOW}.querySelector('video').load(); {SHOW}.querySelector('video').play().catch(() => 0); 0")
    page.wait("!document.querySelector('.gone').hidden")
    assert page.js("getComputedStyle(document.querySelector('.gone')).display") != "none"


@pytest.mark.long
def test_forty_clips_open_fast_and_stay_light(page, trial):
    assert os.path.getsize(trial) < 15e6
    seconds = page.open(trial)
    assert seconds < 3
    assert page.errors == []
    assert [r for r in page.requests if not r.startswith(("file:", "data:"))] == []
    assert page.js("document.querySelectorAll('details.clip').length") == 40


def test_hostile_names_do_no_harm(page, trial):
    page.open(trial)
    page.js("document.querySelectorAll('details').forEach(d => d.open = true)")
    assert page.js("document.title") == f"Trial {NASTY} · poolwatch report"
    assert (
        page.js(
            "[...document.scripts].filter(s => s.textContent.includes('harm') && s.type !== 'application/json').length"
        )
        == 0
    )
    assert NASTY in page.js("document.body.textContent")
    assert page.errors == []


def test_first_screen_is_the_ranking_and_its_reading(page, trial):
    page.open(trial)
    for what in (".reading", "section img", ".caption"):
        top = page.js(f"document.querySelector('{what}').getBoundingClientRect().top")
        assert 0 < top < 900, what


def test_link_to_a_clip_opens_it(page, trial):
    page.open(trial, "#clip-9")
    page.wait("document.getElementById('clip-9').open")


@pytest.mark.parametrize("width", [360, 1200])
def test_nothing_is_wider_than_the_screen(page, trial, one_clip, width):
    page.size(width, 800)
    for path in (trial, one_clip[0]):
        page.open(path)
        page.js("document.querySelectorAll('details').forEach(d => d.open = true)")
        assert page.js("document.documentElement.scrollWidth") <= width


def test_drawings_are_legible_on_a_phone(page, trial):
    page.size(390, 844)
    page.open(trial)
    page.js("document.querySelectorAll('details').forEach(d => d.open = true)")
    # Drawn at 150 (trial) and 132 (clips) dots an inch. The smallest lettering on a phone is of 8.5 and 8 points; 9 px
    # and up is common practice for figures on phones, no source.
    sizes = page.js(
        "[...document.querySelectorAll('picture img')].map(i => [i.getBoundingClientRect().width, i.naturalWidth,"
        " i.currentSrc === i.src])"
    )
    ranking, *others = sizes
    assert ranking[2] is False
    assert ranking[0] <= 390 - 2 * 16
    assert 8.5 / 72 * 150 * ranking[0] / ranking[1] >= 12
    assert all(width <= 390 - 2 * 16 for width, _, _ in others)
    assert all(
        8 / 72 * (TRIAL_DPI if alone else 150) * width / natural >= 9 for width, natural, alone in others
    )
    page.size(1200, 900)
    page.open(trial)
    assert page.js("(i => i.currentSrc === i.src)(document.querySelector('section img'))")


def test_tables_are_stacked_on_a_phone(page, trial):
    """No cell is cut or out of sight, and each says what it is."""
    page.size(390, 844)
    page.open(trial)
    cells = page.js(
        "[...document.querySelectorAll('.stack td')].map(c => [c.getBoundingClientRect().right,"
        " getComputedStyle(c, '::before').content, c.dataset.label])"
    )
    assert len(cells) > 40
    assert all(right <= 390 for right, _, _ in cells)
    assert all(shown == f'"{label}"' and label for _, shown, label in cells)
    page.size(1200, 900)
    page.open(trial)
    assert page.js("getComputedStyle(document.querySelector('.stack td')).display") == "table-cell"


def test_everything_is_reached_with_the_keyboard_alone(page, one_clip):
    """Tab goes through links, controls, series, tables and what is folded, in the order of the page."""
    page.open(one_clip[0])
    seen = []
    for _ in range(40):
        page.key("Tab", 9)
        seen.append(page.js("(e => e.className + ' ' + e.tagName)(document.activeElement)"))
        if "BODY" in seen[-1]:
            break
    assert seen[0] == "skip A"
    for what in ("VIDEO", "scrub DIV", "BUTTON", "scroll DIV", "SUMMARY"):
        assert any(what in one for one in seen), what
    page.js("document.querySelector('summary').focus()")
    page.do(
        "Input.dispatchKeyEvent",
        type="keyDown",
        key="Enter",
        code="Enter",
        windowsVirtualKeyCode=13,
        text="\r",
    )
    assert page.js("document.querySelector('details').open")


def test_prints_a_clip_on_two_sheets(page, one_clip):
    page.open(one_clip[0])
    a4 = {"paperWidth": 210 / 25.4, "paperHeight": 297 / 25.4}
    margins = {f"margin{side}": 12 / 25.4 for side in ("Top", "Bottom", "Left", "Right")}
    data = base64.b64decode(page.do("Page.printToPDF", **a4, **margins)["data"])
    assert data.startswith(b"%PDF")
    # Its figures, and a sheet at most for what the cautions and flags need.
    assert 2 <= len(re.findall(rb"/Type\s*/Page\b", data)) <= 3


@pytest.fixture
def paper(page, trial):
    """The trial's page as it is laid out for an A4 sheet with margins of 12 mm."""
    page.size(PAPER, 1000)
    page.do("Emulation.setEmulatedMedia", media="print")
    page.open(trial)
    page.js("document.querySelectorAll('details').forEach(d => d.open = true)")
    return page


def test_no_cell_is_cut_on_paper(paper):
    cut = paper.js(
        f"[...document.querySelectorAll('table, td, th, td *')].filter(e => e.getBoundingClientRect().right > {PAPER}"
        " || e.scrollWidth > e.clientWidth + 1 && e.clientWidth > 0).map(e => e.outerHTML.slice(0, 200))"
    )
    assert cut == []
    assert paper.js("document.documentElement.scrollWidth") <= PAPER


def test_paper_has_no_settings_as_text_and_asks_for_no_click(paper):
    shown = paper.js(
        "[...document.querySelectorAll('pre')].filter(e => e.getBoundingClientRect().height > 0).length"
    )
    assert shown == 0
    words = paper.js("document.body.innerText")
    assert "Open one" not in words
    assert "Click" not in words
    assert "Every setting is in run.json" in words


def test_lettering_of_figures_is_legible_on_paper_and_on_a_screen(paper, page, trial):
    """Six points and nine pixels are common practice for the smallest lettering, no source."""
    sizes = "[...document.querySelectorAll('.still img')].map(i => [i.getBoundingClientRect().width, i.naturalWidth])"
    on_paper = paper.js(sizes)
    # The trial's own figures are the few widest.
    dots = [150.0 if natural > 4.5 * TRIAL_DPI else TRIAL_DPI for _, natural in on_paper]
    points = [8 * width / 96 * dpi / natural for (width, natural), dpi in zip(on_paper, dots, strict=True)]
    assert min(points) >= 6
    page.do("Emulation.setEmulatedMedia", media="")
    page.size(1280, 900)
    page.open(trial)
    page.js("document.querySelectorAll('details').forEach(d => d.open = true)")
    pixels = [
        8 / 72 * dpi * width / natural for (width, natural), dpi in zip(page.js(sizes), dots, strict=True)
    ]
    assert min(pixels) >= 9


def test_lettering_in_a_frame_is_legible_on_paper_and_on_a_phone(page, one_clip):
    path, clip, _ = one_clip
    painter = OverlayPainter(clip.result, clip.shape, bare=True)
    share = round(0.8 * painter.size) / painter.width
    page.size(PAPER, 1000)
    page.do("Emulation.setEmulatedMedia", media="print")
    page.open(path)
    assert 0.75 * share * page.js("document.querySelector('.still-frame').getBoundingClientRect().width") >= 6
    page.do("Emulation.setEmulatedMedia", media="")
    page.size(390, 800)
    page.open(path)
    assert page.js("document.querySelector('video').poster === document.querySelector('.still-frame').src")
    assert share * page.js("document.querySelector('video').getBoundingClientRect().width") >= 9
    # On a wide screen the frame is as it is in the video.
    page.size(1280, 900)
    page.open(path)
    assert page.js(
        "document.querySelector('video').poster === document.querySelector('video').dataset.poster"
    )


def test_a_wide_screen_is_used(page, trial):
    page.size(2560, 1200)
    page.open(trial)
    assert page.js("document.querySelector('main').getBoundingClientRect().width") > 1600
    page.js("document.querySelector('details.clip').open = true")
    left = "new Set([...document.querySelectorAll('details.clip[open] .still')].map(f => f.offsetLeft)).size"
    assert page.js(left) >= 3


def test_headings_alternatives_labels_and_language(page, trial):
    page.open(trial)
    assert page.js("document.documentElement.lang") == "en"
    assert page.js("document.querySelectorAll('h1').length") == 1
    assert page.js("[...document.images].every(i => i.alt.length > 10)")
    assert page.js(
        "[...document.querySelectorAll('svg')].every(s => s.getAttribute('aria-label').length > 10)"
    )
    levels = page.js("[...document.querySelectorAll('h1,h2,h3,h4')].map(h => Number(h.tagName[1]))")
    assert all(b - a <= 1 for a, b in itertools.pairwise(levels))


def test_axe_finds_no_fault(page, one_clip, trial):
    """Needs the file axe.min.js of the npm package axe-core (MPL 2.0), which is too large to keep here."""
    place = os.environ.get("AXE_CORE", "")
    if not Path(place).is_file():
        pytest.skip("set AXE_CORE to the path of axe.min.js (npm package axe-core) to run this check")
    for path, scheme in itertools.product((one_clip[0], trial), ("light", "dark")):
        page.do("Emulation.setEmulatedMedia", features=[{"name": "prefers-color-scheme", "value": scheme}])
        page.open(path)
        page.js("document.querySelectorAll('details').forEach(d => d.open = true)")
        page.do("Runtime.evaluate", expression=Path(place).read_text(encoding="utf-8"))
        found = page.js("axe.run().then(r => r.violations.map(v => [v.id, v.impact, v.nodes[0].html]))")
        assert found == [], (path, scheme)
