"""Marks that are wrong, partial or foreign are refused, and the row is named."""

from __future__ import annotations

import numpy as np
import pytest

from poolwatch.handcheck.marks import outline_area, read_marks
from poolwatch.handcheck.sampling import draw_frames
from poolwatch.model.errors import UsageError


@pytest.fixture(scope="module")
def clip(invented):
    return invented(seed=1)


@pytest.fixture
def rows(clip):
    draw = draw_frames(clip.measurement, 1)
    return clip.marked(draw, np.random.default_rng(0))


def refused(clip, rows, written, tmp_path, match):
    path = written(tmp_path / "a.csv", rows)
    with pytest.raises(UsageError, match=match):
        read_marks([path], clip.measurement)


def test_marks_as_saved_are_read(clip, rows, written, tmp_path):
    found = read_marks([written(tmp_path / "a.csv", rows)], clip.measurement)
    assert len(found.markings) == 1
    assert sorted(found.markings[0].ends) == list(found.draw.frames)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("row", "change", "match"),
    [
        (3, {"clip_id": "other"}, r"a\.csv, row 5: clip_id 'other' is of another clip"),
        (0, {"settings_id": "s2"}, r"row 2: settings_id 's2' is of a measurement with other settings"),
        (7, {"seed": 2}, r"row 9: seed '2', but '1' in a\.csv, row 2"),
        (7, {"drawn": "15+6+30"}, r"row 9: drawn '15\+6\+30'"),
        (4, {"mark": "top"}, r"row 6: mark 'top' is none of front, rear"),
        (4, {"frame": 3}, r"row 6: frame 3 was not drawn with seed 1"),
        (4, {"frame": "3.5"}, r"row 6: frame '3.5' is no whole number"),
        (4, {"x_px": ""}, r"row 6: x_px is empty"),
        (4, {"x_px": "many"}, r"row 6: 'many' is not a plain number"),
        (4, {"y_px": "300.1"}, r"row 6: y_px 300.1 is outside the picture, which is 400 x 300 px"),
        (4, {"tone": "dark"}, r"row 6: tone 'dark' is none of linear, raised"),
        (4, {"person": ""}, r"row 6: person is empty"),
        (4, {"round": 0}, r"row 6: round '0' is no whole number from 1"),
        (5, {"mark": "front"}, r"row 7: front of frame \d+ is there twice"),
    ],
)
def test_a_wrong_row_is_named(clip, rows, written, tmp_path, row, change, match):
    rows[row].update(change)
    refused(clip, rows, written, tmp_path, match)


def test_partial_marks(clip, rows, written, tmp_path):
    refused(clip, rows[:-1], written, tmp_path, r"AB, round 1, frame \d+: right not marked; finish the page")
    refused(clip, rows[:-8], written, tmp_path, r"(?s)frame \d+: not marked.*frame \d+: not marked")
    refused(clip, [], written, tmp_path, "has a header but no marks")
    mark = {**rows[0], "mark": "particle", "frame": draw_frames(clip.measurement, 1).run[0]}
    refused(clip, [*rows, mark], written, tmp_path, "the run was not looked through")
    ring = [{**rows[0], "mark": "outline"}] * 5
    refused(clip, [*rows, *ring], written, tmp_path, "an outline of 5 points")
    refused(clip, [*rows, {**rows[0], "mark": "unclear"}], written, tmp_path, "is marked, and called unclear")


def test_ends_the_wrong_way_round(clip, rows, written, tmp_path):
    rows[0]["mark"], rows[1]["mark"] = "rear", "front"
    refused(clip, rows, written, tmp_path, r"frame \d+: front and rear stand the wrong way round")


def test_the_same_round_twice_and_pages_mixed(clip, rows, written, tmp_path):
    one, two = written(tmp_path / "a.csv", rows), written(tmp_path / "b.csv", rows)
    with pytest.raises(UsageError, match=r"b\.csv, row 2: round 1 of AB is in a\.csv already"):
        read_marks([one, two], clip.measurement)
    other = clip.marked(draw_frames(clip.measurement, 2), np.random.default_rng(0), person="CD")
    with pytest.raises(UsageError, match=r"b\.csv, row 2: seed '2', but '1' in a\.csv, row 2"):
        read_marks([one, written(tmp_path / "b.csv", other)], clip.measurement)


def test_no_marks_at_all(clip, rows, tmp_path):
    with pytest.raises(UsageError, match="no such file"):
        read_marks([tmp_path / "none.csv"], clip.measurement)
    (tmp_path / "other.csv").write_text("frame,x\n1,2\n", encoding="utf-8")
    with pytest.raises(UsageError, match="no column 'clip_id'"):
        read_marks([tmp_path / "other.csv"], clip.measurement)
    rows[0]["drawn"] = rows[0]["drawn"].replace("+", " ")


def test_saved_again_by_a_spreadsheet(clip, rows, written, tmp_path):
    path = written(tmp_path / "a.csv", rows)
    text = path.read_text(encoding="utf-8").replace(",", ";").replace(".", ",")
    path.write_text(text, encoding="cp1252")
    found = read_marks([path], clip.measurement)
    x = float(rows[0]["x_px"])
    assert found.markings[0].ends[rows[0]["frame"]]["front"][0] == pytest.approx(x)


def test_area_of_a_circle_from_a_few_points():
    angle = np.linspace(0, 2 * np.pi, 10, endpoint=False)
    ring = 40 * np.stack([np.cos(angle), np.sin(angle)], axis=1)
    # Two clicks on the same place are one point.
    assert outline_area(np.insert(ring, 3, ring[3], axis=0)) == pytest.approx(np.pi * 1600, rel=0.003)
