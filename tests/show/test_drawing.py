"""Small parts of the drawing: tone curve, lettering, ticks, strip chart."""

from __future__ import annotations

import numpy as np
import pytest

from poolwatch.show.lettering import Type, fitted, put_flat, put_haloed, put_number, text_mask, width_of
from poolwatch.show.palette import FLAGGED, INK, KEYHOLE, PANEL, PARTICLE, POOL, SERIES_ON_PAPER, bgr
from poolwatch.show.strip import StripChart
from poolwatch.show.ticks import digits, nice_step, ticks
from poolwatch.show.tone import ToneCurve, toned


def luminance(colour):
    """Relative luminance, W3C WCAG 2.1."""
    parts = np.array(bgr(colour)[::-1]) / 255
    parts = np.where(parts <= 0.04045, parts / 12.92, ((parts + 0.055) / 1.055) ** 2.4)
    return float(parts @ (0.2126, 0.7152, 0.0722))


def contrast(a, b):
    """Contrast ratio, W3C WCAG 2.1."""
    light, dark = sorted((luminance(a), luminance(b)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def test_contrast_is_that_of_the_standard():
    assert contrast("#000000", "#ffffff") == pytest.approx(21)
    assert contrast("#777777", "#ffffff") == pytest.approx(4.48, abs=0.01)  # WCAG 2.1's well-known near miss


@pytest.mark.parametrize("colour", [POOL, KEYHOLE, PARTICLE, FLAGGED, INK])
def test_marks_stand_out_from_panel_and_halo(colour):
    # WCAG 2.1, 1.4.11 asks 3:1 of graphics, 1.4.3 asks 4.5:1 of text.
    assert contrast(colour, PANEL) >= 4.5
    assert contrast(colour, "#000000") >= 4.5


@pytest.mark.parametrize("colour", SERIES_ON_PAPER)
def test_curves_stand_out_from_paper(colour):
    assert contrast(colour, "#ffffff") >= 3


@pytest.mark.parametrize("full", [255.0, 1023.0, 65535.0])
@pytest.mark.parametrize("noise", [0.002, 0.01])
def test_tone_curve_shows_faint_spatter_and_keeps_noise_dark(full, noise):
    rng = np.random.default_rng(6)
    picture = 0.03 + rng.normal(0, noise, (200, 300))
    picture[80:120, 100:180] = 0.7
    sample = np.clip(np.rint(picture * full), 0, full)
    curve = ToneCurve.for_sample(sample, full)
    grey = curve.grey(np.array([0.03, 0.03 + 2 * noise, 0.03 + 12 * noise, 0.7, 1.0]))
    assert (np.diff(grey) >= 0).all()
    assert grey[0] < 0.05
    assert grey[1] < 0.2
    assert grey[2] > 0.15
    # Far more than on a straight line, where it would drown.
    assert grey[2] > 1.5 * (12 * noise / 0.7)
    assert grey[3] > 0.9
    assert "asinh" in curve.words


def test_bright_ground_is_shown_straight():
    rng = np.random.default_rng(7)
    curve = ToneCurve.for_sample(rng.integers(90, 230, (100, 100)), 255.0)
    assert np.isinf(curve.knee)
    middle = curve.grey(np.array([160 / 255]))[0]
    assert 0.4 < middle < 0.6
    assert "linear" in curve.words


@pytest.mark.parametrize("sample", [np.zeros((4, 4)), np.full((4, 4), 255), np.empty((0, 4))])
def test_tone_curve_of_nothing_is_still_a_curve(sample):
    curve = ToneCurve.for_sample(sample, 255.0)
    table = curve.table(np.dtype(np.uint8))
    assert (np.diff(table.astype(int)) >= 0).all()
    assert toned(np.zeros((3, 3), np.uint8), table).dtype == np.uint8


def test_sixteen_bit_look_up_equals_the_curve():
    curve = ToneCurve(0.01, 0.9, 0.05, 65535.0)
    frame = np.random.default_rng(1).integers(0, 65536, (50, 60), dtype=np.uint16)
    expected = np.rint(255 * curve.grey(frame / 65535))
    np.testing.assert_array_equal(toned(frame, curve.table(frame.dtype)), expected)


def test_digits_have_one_width_and_names_are_shortened():
    assert len({width_of(d, 20, True) for d in "0123456789"}) == 1
    name = "a very long name of a recording that never ends.avi"
    short = fitted(name, 20, 200)
    assert width_of(short, 20) <= 200
    assert short.startswith("a ")
    assert short.endswith("i")
    assert fitted("short", 20, 200) == "short"
    assert text_mask("line\nbreak\x00", 20).shape[0] == text_mask("x", 20).shape[0]


def test_writing_letter_by_letter_equals_writing_at_once_where_digits_stand():
    one, other = (np.full((40, 200, 3), bgr(PANEL), np.uint8) for _ in range(2))
    put_flat(one, "8", (100, 5), 20, INK, PANEL)
    put_number(other, "8", (100, 5), Type(20, INK, PANEL))
    np.testing.assert_array_equal(one, other)
    put_number(other, "123456789", (-40, -3), Type(20, INK, PANEL))  # partly outside: cut, not refused


@pytest.mark.parametrize("ground", [0, 128, 255])
def test_haloed_text_is_legible_on_any_ground(ground):
    image = np.full((60, 200, 3), ground, np.uint8)
    put_haloed(image, "Hx8", (20, 10), 24, INK)
    inked = np.abs(image.astype(int) - ground).max(axis=2) > 60
    assert inked.sum() > 80
    # Ink and rim are both there, so one of them differs from any ground.
    assert image.max() > 230
    if ground:
        assert image.min() < 30


def test_ticks_are_round_and_inside():
    np.testing.assert_allclose(ticks(0.3, 9.7, 5), [2, 4, 6, 8])
    assert len(ticks(1.0, 1.0, 5)) == 0
    assert nice_step(0.11) == pytest.approx(0.2)
    assert nice_step(5.0) == 5.0
    assert digits(-0.001, 0.1) == "0.0"
    assert digits(-1.25, 0.01) == "−1.25"


def test_strip_cursor_runs_with_time_and_dims_what_is_to_come(clip):
    chart = StripChart(clip.result, (0, 1199), 1024, 20)
    image = np.zeros((chart.height, 1024, 3), np.uint8)
    columns = []
    for frame in (200, 600, 1000):
        chart.draw(image, frame)
        cursor = (image[:160] == bgr(INK)).all(axis=2).mean(axis=0) > 0.6
        columns.append(np.flatnonzero(cursor).mean())
        np.testing.assert_allclose(columns[-1], chart.column(frame), atol=1)
    assert np.diff(columns)[0] == pytest.approx(np.diff(columns)[1], abs=1)
    chart.draw(image, 600)
    at = chart.column(600)
    assert image[:40, at - 200 : at - 20].max() > image[:40, at + 20 : at + 200].max() + 40


def test_toned_pictures_can_be_set_back_to_linear_tone():
    curve = ToneCurve(0.04, 0.78, 0.022, 255.0)
    levels = np.arange(11, 199)
    linear = curve.linear()[curve.table(np.dtype(np.uint8))[levels]]
    expected = 255 * (levels / 255 - curve.black) / (curve.white - curve.black)
    # The raised picture has 256 greys, the widest apart where it is brightest.
    assert np.abs(linear - expected).max() < 2.6
    assert np.array_equal(ToneCurve(0.0, 1.0, np.inf, 255.0).linear(), np.arange(256))
