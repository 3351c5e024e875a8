"""Axes, files written whole, settings base, flags."""

from __future__ import annotations

import errno
import math
import os
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from poolwatch.model.axes import PoolAxes, Scale
from poolwatch.model.errors import OutputError, UsageError
from poolwatch.model.files import write_text, written_whole
from poolwatch.model.flags import FLAGS, STATUSES, check_flags
from poolwatch.model.recording import Recording
from poolwatch.model.settings import read_toml


def test_axes_right_and_up():
    # Travel to the right: left of travel is up in the picture, where y points down.
    right = PoolAxes(10, 20, 0, 0.5)
    assert right.mm(np.array([14.0, 18.0])) == pytest.approx([2.0, 1.0])
    up = PoolAxes(10, 20, 90, 0.5)
    assert up.mm(np.array([10.0, 16.0])) == pytest.approx([2.0, 0.0], abs=1e-12)
    assert up.mm(np.array([8.0, 20.0])) == pytest.approx([0.0, 1.0], abs=1e-12)


def test_directions_are_counter_clockwise_as_seen():
    axes = PoolAxes(0, 0, 0)
    assert axes.direction(np.array([[1, 0], [0, -1], [-1, 0], [0, 1]])) == pytest.approx([0, 90, 180, -90])
    assert PoolAxes(0, 0, 90).direction(np.array([0, -1.0])) == pytest.approx(0)


@given(st.floats(-360, 360), st.floats(-500, 500), st.floats(-500, 500), st.floats(1e-3, 10))
def test_axes_there_and_back(angle, x, y, scale):
    axes = PoolAxes(31.5, 12.25, angle, scale)
    point = np.array([x, y])
    assert axes.image(axes.mm(point)) == pytest.approx(point, abs=1e-8)
    assert math.hypot(*axes.px(point)) == pytest.approx(math.hypot(x - 31.5, y - 12.25), abs=1e-8)


@pytest.mark.parametrize("value", [0, -1, math.nan, math.inf])
def test_impossible_scales_are_refused(value):
    with pytest.raises(UsageError, match="finite number above 0"):
        Scale(value)


@pytest.mark.parametrize("value", [0, -5, math.nan, math.inf, "fast"])
def test_impossible_record_rates_are_refused(value):
    with pytest.raises(UsageError, match="record_rate_hz"):
        Recording.checked({"record_rate_hz": value}, where="test")


def test_file_is_whole_or_not_there(tmp_path):
    target = tmp_path / "deep" / "a.csv"
    with pytest.raises(RuntimeError, match="half-way"), written_whole(target) as beside:
        beside.write_text("half", encoding="utf-8")
        raise RuntimeError("half-way")
    assert list(target.parent.iterdir()) == []
    write_text(target, "whole\n")
    assert target.read_bytes() == b"whole\n"
    assert [p.name for p in target.parent.iterdir()] == ["a.csv"]


def test_full_disk_is_one_clear_line(tmp_path):
    with (
        pytest.raises(OutputError, match=r"cannot be written \(No space left on device\); free some space"),
        written_whole(tmp_path / "a"),
    ):
        raise OSError(errno.ENOSPC, "No space left on device")
    assert list(tmp_path.iterdir()) == []


def test_flags_are_sorted_and_known():
    assert check_flags({"no_material", "truncated"}) == ("truncated", "no_material")
    with pytest.raises(KeyError, match="not in poolwatch"):
        check_flags({"odd"})
    assert all(" " not in word and meaning for word, meaning in {**FLAGS, **STATUSES}.items())


@pytest.mark.parametrize(
    ("content", "match"),
    [(b"a = ", "not valid TOML"), (b"\xff\xfe\x00", "not UTF-8"), (None, "no such file")],
)
def test_bad_toml(tmp_path, content, match):
    path = tmp_path / "s.toml"
    if content is not None:
        path.write_bytes(content)
    with pytest.raises(UsageError, match=match):
        read_toml(path)


@pytest.mark.parametrize(
    "stretch",
    [
        (1.0, 0.0, 0.0, -1.0),
        (1.0, 0.0, 0.0, 0.0),
        (2.0, 0.0, 0.0, 2.0),
        (math.nan, 0.0, 0.0, 1.0),
        (1.0, 0.0, 0.0),
    ],
    ids=["mirrored", "singular", "larger", "nan", "short"],
)
def test_a_stretch_that_changes_areas_is_refused_in_one_line(stretch):
    with pytest.raises(UsageError, match="stretch") as refused:
        Recording.checked({"record_rate_hz": 1e4, "mm_per_px": 0.02, "stretch": stretch}, where="here")
    assert "\n" not in str(refused.value)


def test_rows_of_a_tilted_picture_have_a_scale_of_their_own():
    upright = (1.25, 0.0, 0.0, 0.8)
    for direction in (0.0, 37.0, 90.0):
        axes = PoolAxes(50.0, 40.0, direction, 0.02, upright)
        ends = axes.mm(np.array([[10.0, 40.0], [110.0, 40.0]]))
        assert 100 * axes.row_mm_per_px == pytest.approx(np.linalg.norm(ends[1] - ends[0]))
    assert axes.row_mm_per_px == pytest.approx(0.025)
    assert PoolAxes(0.0, 0.0, 37.0, 0.02).row_mm_per_px == pytest.approx(0.02)


@pytest.fixture
def as_on_windows(monkeypatch):
    monkeypatch.setattr("poolwatch.model.files.WINDOWS", True)
    monkeypatch.setattr("poolwatch.model.files._PAUSES_S", (0.0, 0.0))


def test_only_a_handle_that_may_write_is_synced(tmp_path, monkeypatch):
    # FlushFileBuffers, which os.fsync calls on Windows, needs a handle with write access (its documentation).
    fcntl = pytest.importorskip("fcntl")
    synced = []

    def fsync(handle):
        if fcntl.fcntl(handle, fcntl.F_GETFL) & os.O_ACCMODE == os.O_RDONLY:
            raise OSError(errno.EBADF, os.strerror(errno.EBADF))
        synced.append(handle)

    monkeypatch.setattr(os, "fsync", fsync)
    write_text(tmp_path / "a.csv", "whole\n")
    assert (tmp_path / "a.csv").read_text(encoding="utf-8") == "whole\n"
    assert len(synced) == 1


@pytest.mark.usefixtures("as_on_windows")
@pytest.mark.parametrize(("times", "written"), [(2, True), (9, False)])
def test_a_target_that_another_program_holds(tmp_path, monkeypatch, times, written):
    target = tmp_path / "a.csv"
    target.write_text("old", encoding="utf-8")
    refusals = iter([True] * times)
    replace = Path.replace

    def held(self, other):
        if next(refusals, False):
            raise PermissionError(errno.EACCES, "The process cannot access the file")
        return replace(self, other)

    monkeypatch.setattr(Path, "replace", held)
    if written:
        write_text(target, "new")
    else:
        with pytest.raises(OutputError, match="close it where it is open, or choose another --out"):
            write_text(target, "new")
    assert target.read_text(encoding="utf-8") == ("new" if written else "old")
    assert [path.name for path in tmp_path.iterdir()] == ["a.csv"]


@pytest.mark.usefixtures("as_on_windows")
def test_a_path_too_long_says_so(tmp_path, monkeypatch):
    deep = tmp_path / ("d" * 120) / ("e" * 120)
    deep.mkdir(parents=True)

    def refuse(self, *args, **kwargs):
        raise FileNotFoundError(errno.ENOENT, "The system cannot find the path specified", str(self))

    monkeypatch.setattr(Path, "write_text", refuse)
    with pytest.raises(
        OutputError, match="longer than the 260 characters of Windows: choose a shorter --out"
    ):
        write_text(deep / "scores.csv", "x")
