"""Settings, manifests, scale files, sidecars, score rows and run.json as Hypothesis breaks them.

Each is read, or refused in one error of poolwatch's own that says where. ``POOLWATCH_FUZZ=2100`` tries ten times as many.
"""

from __future__ import annotations

import contextlib
import json
import os
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from poolwatch.clips import open_clip
from poolwatch.measure import MeasureSettings, read_measurement, read_settings, recording_of
from poolwatch.model.errors import ClipError, OutputError, PoolwatchError, UsageError
from poolwatch.model.materials import materials
from poolwatch.model.table import csv_text
from poolwatch.model.tables import SCORE
from poolwatch.scale.file import read_calibration
from poolwatch.simulate import Scene
from poolwatch.trial import rank_shapes, read_rows
from poolwatch.trial.manifest import read_manifest
from poolwatch.trial.settings import read_rank_settings
from tests.trial.simulated import score_rows

EXAMPLES = 60 * int(os.environ.get("POOLWATCH_FUZZ", "210")) // 210

some = settings(
    max_examples=EXAMPLES,
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)

ODD = [
    0,
    -1,
    1,
    2,
    10**18,
    10**400,
    -(2**63),
    0.0,
    -0.0,
    1e-320,
    1e308,
    0.5,
    "",
    "x",
    "nan",
    "1,5",
    "§",
    True,
]
values = st.recursive(
    st.sampled_from(ODD) | st.text(max_size=8) | st.floats() | st.integers(),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=6), inner, max_size=3),
    max_leaves=6,
)


def toml(value: Any) -> str:
    """A value as TOML, written without the code under test."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return json.dumps(value.encode("utf-8", "replace").decode()).replace("\x7f", "\\u007f")
    if isinstance(value, float):
        return repr(value)
    if isinstance(value, list):
        return "[" + ", ".join(toml(item) for item in value) + "]"
    if isinstance(value, dict):
        return "{" + ", ".join(f"{toml(key)} = {toml(item)}" for key, item in value.items()) + "}"
    return str(value)


def names_of(model: Any, prefix: tuple[str, ...] = ()) -> Iterator[tuple[str, ...]]:
    """Paths of all settings of a model."""
    for name, field in model.model_fields.items():
        yield (*prefix, name)
        if hasattr(field.annotation, "model_fields"):
            yield from names_of(field.annotation, (*prefix, name))


def nested(changes: list[tuple[tuple[str, ...], Any]]) -> dict[str, Any]:
    out: dict[str, Any] = {}
    for path, value in changes:
        at = out
        for name in path[:-1]:
            inner = at.setdefault(name, {})
            if not isinstance(inner, dict):
                inner = at[name] = {}
            at = inner
        at[path[-1]] = value
    return out


@contextlib.contextmanager
def refused_or_read(path: Path, *kinds: type[PoolwatchError]) -> Iterator[None]:
    try:
        yield
    except kinds as error:
        text = str(error)
        assert str(path) in text or path.name in text, text
        assert len(text) < 20_000


READERS: dict[str, tuple[Any, Callable[[Path], object]]] = {
    "measure": (MeasureSettings, read_settings),
    "scene": (Scene, lambda path: Scene.checked(_toml_of(path), where=str(path))),
}


def _toml_of(path: Path) -> dict[str, Any]:
    from poolwatch.model.settings import read_toml

    return read_toml(path)


@pytest.mark.parametrize("kind", sorted(READERS))
@some
@given(data=st.data())
def test_settings(kind: str, data: st.DataObject, tmp_path: Path) -> None:
    model, read = READERS[kind]
    paths = list(names_of(model))
    changes = data.draw(st.lists(st.tuples(st.sampled_from(paths), values), min_size=1, max_size=3))
    path = tmp_path / "s.toml"
    path.write_text("\n".join(f"{name} = {toml(v)}" for name, v in nested(changes).items()), encoding="utf-8")
    with refused_or_read(path, UsageError):
        got = read(path)
        if isinstance(got, MeasureSettings):
            got.fingerprint()
            recording_of(got, {"record_rate_hz": 1000.0}, where=str(path))


@pytest.mark.parametrize(
    "read", [read_settings, read_calibration, read_rank_settings, materials], ids=lambda read: read.__name__
)
@some
@given(text=st.text(max_size=80) | st.binary(max_size=80))
@example(text=b"\xff\xfe\x00")
@example(text="a = " + "[" * 5000)
@example(text="[scale]\nmm_per_px = inf\n")
def test_any_bytes_as_toml(read: Callable[[Path], object], text: str | bytes, tmp_path: Path) -> None:
    path = tmp_path / "s.toml"
    path.write_bytes(text if isinstance(text, bytes) else text.encode("utf-8", "surrogatepass"))
    with refused_or_read(path, UsageError):
        read(path)


@some
@given(
    part=st.dictionaries(
        st.sampled_from(["mm_per_px", "u_mm_per_px", "method", "source", "date", "other"]), values, max_size=4
    ),
    plane=st.none()
    | st.dictionaries(
        st.sampled_from(
            ["place_px", "region_px", "least_mm_per_px", "most_mm_per_px", "tilt_deg", "homography", "lens"]
        ),
        values,
        max_size=7,
    ),
    budget=st.lists(
        st.dictionaries(st.sampled_from(["name", "u_mm_per_px"]), values, max_size=2), max_size=2
    ),
)
def test_scale_files(part: dict[str, Any], plane: Any, budget: list[Any], tmp_path: Path) -> None:
    path = tmp_path / "scale.toml"
    whole = {"budget": budget, **({} if plane is None else {"plane": plane}), "scale": part}
    path.write_text("\n".join(f"{name} = {toml(v)}" for name, v in whole.items()), encoding="utf-8")
    with refused_or_read(path, UsageError):
        scale = read_calibration(path).scale
        assert 0 < scale.mm_per_px < np.inf
        assert 0 <= scale.u_mm_per_px < np.inf


@some
@given(
    given_values=st.fixed_dictionaries(
        {},
        optional={
            "width": st.integers(-1, 200) | values,
            "height": st.integers(-1, 200) | values,
            "depth_bits": st.integers(-1, 17) | values,
            "packing": st.sampled_from(["none", "mono10p", "mono12p", "mono12packed", "zip"]) | values,
            "align": st.sampled_from(["low", "high", ""]) | values,
            "byte_order": st.sampled_from(["little", "big"]) | values,
            "header_bytes": st.integers(-1, 5000) | values,
            "frame_header_bytes": st.integers(-1, 5000) | values,
            "playback_rate_hz": values,
            "stranger": values,
        },
    ),
    size=st.integers(1, 4000),
)
def test_sidecars(given_values: dict[str, Any], size: int, tmp_path: Path) -> None:
    path = tmp_path / "a.raw"
    path.write_bytes(np.random.default_rng(size).bytes(size))
    (tmp_path / "a.raw.toml").write_text(
        "\n".join(f"{name} = {toml(v)}" for name, v in given_values.items()), encoding="utf-8"
    )
    with refused_or_read(path, ClipError), open_clip(path) as clip:
        frames = np.concatenate([block.frames for block in clip.blocks()])
        assert len(frames) == clip.facts.frame_count
        assert frames.max() <= clip.facts.full_scale


cells = st.sampled_from(
    ["", "a.avi", "../a.avi", "/a.avi", "twin-spot", "1", "10000", "0.02", "1,5", "1.000,5", "-1", "nan", "inf",
     "1e400", "=cmd()", "'=1", '"', "x;y", "\t", "0", "austenitic-stainless", "none.toml", "é", "\u202e"]
) | st.text(st.characters(exclude_characters="\r\n\0", exclude_categories=["Cs"]), max_size=10)  # fmt: skip
columns = st.sampled_from(
    ["clip", "beam_shape", "replicate", "record_rate_hz", "mm_per_px", "scale", "travel_direction_deg",
     "travel_speed_mm_s", "exposure_s", "material", "settings", "factor_power_w", "factor_gas", "outcome_rm_mpa",
     "stranger", "Clip", ""]
)  # fmt: skip


def table(header: list[str], rows: list[list[str]], separator: str) -> str:
    return "\n".join(separator.join(line) for line in [header, *rows]) + "\n"


@some
@given(
    header=st.lists(columns, max_size=3),
    rows=st.lists(st.lists(cells, max_size=9), max_size=4),
    separator=st.sampled_from([",", ";", "\t"]),
    encoding=st.sampled_from(["utf-8", "utf-8-sig", "utf-16"]),
)
def test_manifests(
    header: list[str], rows: list[list[str]], separator: str, encoding: str, tmp_path: Path
) -> None:
    path = tmp_path / "manifest.csv"
    base = ["clip", "beam_shape", "replicate", "record_rate_hz", "mm_per_px"]
    path.write_bytes(table([*base, *header], rows, separator).encode(encoding, "replace"))
    with refused_or_read(path, UsageError):
        read = read_manifest(path)
        # Each clip has a folder of its own, inside the trial's.
        folders = [entry.folder for entry in read.entries]
        assert len({folder.casefold() for folder in folders}) == len(folders)
        for folder in folders:
            assert Path(folder).name == folder
            assert folder not in ("", ".", "..")


@some
@given(text=st.text(max_size=200) | st.binary(max_size=200))
@pytest.mark.parametrize("read", [read_manifest, read_rows], ids=lambda read: read.__name__)
def test_any_bytes_as_a_table(read: Callable[[Path], object], text: str | bytes, tmp_path: Path) -> None:
    path = tmp_path / "t.csv"
    path.write_bytes(text if isinstance(text, bytes) else text.encode("utf-8", "surrogatepass"))
    with refused_or_read(path, UsageError):
        read(path)


@settings(some, max_examples=EXAMPLES // 2)
@given(
    changes=st.lists(
        st.tuples(st.integers(0, 8), st.sampled_from(SCORE.names), cells | st.floats().map(repr)), max_size=6
    )
)
@example(changes=[(0, "frames_measured", "99.5"), (1, "spatter_count", "1e300")])
def test_score_rows(changes: list[tuple[int, str, str]], tmp_path: Path) -> None:
    frame = score_rows(np.random.default_rng(5), [0.6, 1.0, 1.6], 3)
    lines = [line.split(",") for line in csv_text(frame).splitlines()]
    for row, column, cell in changes:
        lines[1 + row][SCORE.names.index(column)] = '"' + cell.replace('"', '""') + '"'
    path = tmp_path / "scores.csv"
    path.write_text("\n".join(",".join(line) for line in lines) + "\n", encoding="utf-8")
    with refused_or_read(path, UsageError):
        rows = read_rows(path)
        with contextlib.suppress(PoolwatchError):  # ranking may refuse what reading lets through
            ranking = rank_shapes(rows)
            index = ranking.table["stability_index"].dropna()
            assert index.between(0, 100).all()
            assert ranking.table["clips"].sum() + len(ranking.excluded) == len(rows)


@some
@given(content=st.binary(max_size=60) | values.map(lambda value: json.dumps(value, default=str).encode()))
@example(content=b'{"axes": {"x": 1}}')
@example(content=b'{"axes": {"origin_x": 1, "origin_y": 2, "travel_direction_deg": 0}}')
@example(content=b"[" * 100_000)
def test_run_json(content: bytes, tmp_path: Path) -> None:
    (tmp_path / "run.json").write_bytes(content)
    with pytest.raises(OutputError):
        read_measurement(tmp_path)
