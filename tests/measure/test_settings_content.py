"""What a settings file points to counts by its content; an index of fewer parts says so."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from poolwatch.cli.main import main
from poolwatch.measure import MeasureSettings, read_settings
from poolwatch.measure.score import score
from poolwatch.measure.score_basis import ScoreBasis
from poolwatch.measure.settings import recording_of
from poolwatch.model.data import data_folder
from poolwatch.model.errors import UsageError
from poolwatch.model.materials import material
from poolwatch.model.recording import Recording


def test_materials_count_by_their_content(tmp_path: Path) -> None:
    text = (data_folder("configs") / "materials.toml").read_text(encoding="utf-8")
    ids = []
    for name, content in (("a", text), ("b", text), ("c", text + "\n# another\n")):
        (tmp_path / f"{name}.toml").write_text(content, encoding="utf-8")
        settings = tmp_path / f"settings_{name}.toml"
        settings.write_text(
            f'materials_file = "{(tmp_path / f"{name}.toml").as_posix()}"\n', encoding="utf-8"
        )
        ids.append(read_settings(settings).fingerprint())
    assert ids[0] == ids[1] != ids[2]
    (tmp_path / "a.toml").unlink()
    with pytest.raises(UsageError, match=r"materials_file .*a\.toml': no such file"):
        read_settings(tmp_path / "settings_a.toml")


def test_what_settings_name_is_relative_to_the_settings_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """From whatever folder poolwatch is started, and nowhere else is looked."""
    place, elsewhere = tmp_path / "ours", tmp_path / "elsewhere"
    for folder in (place, elsewhere):
        folder.mkdir()
    metal = '[brass]\nname = "brass"\ndensity_kg_m3 = 7700\nsource = "example"\n'
    (place / "metals.toml").write_text(metal, encoding="utf-8")
    (place / "settings.toml").write_text(
        'materials_file = "metals.toml"\n[view]\nmask = "mask.png"\n', encoding="utf-8"
    )
    # In the working folder lies what would be wrong: it must not be taken.
    (elsewhere / "metals.toml").write_text(metal.replace("7700", "1"), encoding="utf-8")
    (elsewhere / "mask.png").write_bytes(b"not ours")
    monkeypatch.chdir(elsewhere)
    where = r"settings\.toml: view\.mask 'mask\.png': no such file, looked for .*ours.mask\.png; a path .*relative"
    with pytest.raises(UsageError, match=where):
        read_settings("../ours/settings.toml")
    (place / "mask.png").write_bytes(b"ours")
    settings = read_settings("../ours/settings.toml")
    assert settings.materials_file == str((place / "metals.toml").resolve())
    assert settings.view.mask == str((place / "mask.png").resolve())
    assert material("brass", settings.materials_file).density_kg_m3 == 7700
    # What run.json holds is read again from any folder.
    monkeypatch.chdir(tmp_path)
    again = MeasureSettings.checked(settings.model_dump(mode="json"), where="run.json")
    assert material("brass", again.materials_file).density_kg_m3 == 7700
    monkeypatch.chdir(elsewhere)
    (place / "metals.toml").unlink()
    with pytest.raises(UsageError, match=r"materials_file 'metals\.toml': no such file, looked for .*ours"):
        read_settings("../ours/settings.toml")


@pytest.mark.parametrize("name", ["", "a" * 5000, "a\\u0000b"])
def test_names_that_no_disc_could_hold(name: str, tmp_path: Path) -> None:
    for text in (f'materials_file = "{name}"\n', f'[view]\nmask = "{name}"\n'):
        (tmp_path / "s.toml").write_text(text, encoding="utf-8")
        with pytest.raises(UsageError, match=r"materials_file|view\.mask"):
            read_settings(tmp_path / "s.toml")


@pytest.mark.parametrize(("leave_out", "partial"), [((), False), (("spatter_mass",), True)])
def test_an_index_of_fewer_parts_says_so(leave_out: tuple[str, ...], partial: bool) -> None:
    rng = np.random.default_rng(4)
    n = 3000
    wave = 1 + 0.03 * rng.standard_normal((6, n))
    frames = pd.DataFrame(
        {
            "frame": np.arange(n),
            "time_s": np.arange(n) / 10_000,
            "status": "ok",
            "pool_length_mm": 2.4 * wave[0],
            "pool_width_mm": 1.2 * wave[1],
            "pool_area_mm2": 2.2 * wave[2],
            "keyhole_brightness": 0.7 * wave[3],
            "agitation_power": 0.002 * wave[4],
        }
    )
    spatter = pd.DataFrame(
        {
            "first_frame": (first := rng.integers(0, n, 40)),
            "left_frame": first - 2.0,
            "last_frame": n - 1,
            "diameter_mm": 0.06,
            "diameter_u_mm": 0.002,
            "mass_ug": 0.8,
            "speed_mm_s": 900.0,
            "direction_deg": 90.0,
        }
    )
    recording = Recording(
        record_rate_hz=10_000, mm_per_px=0.02, travel_speed_mm_s=100, material="austenitic-stainless"
    )
    found = score(
        frames, spatter, recording, read_settings(None).stability,
        ScoreBasis(min_diameter_mm=0.02, density_kg_m3=6900.0, leave_out=leave_out),
    )  # fmt: skip
    assert ("index_partial" in found.flags) is partial


def test_a_square_scale_file_goes_before_a_tilt_in_the_settings() -> None:
    tilted = (1.25, 0.0, 0.0, 0.8)
    settings = MeasureSettings(recording={"record_rate_hz": 1e4, "mm_per_px": 0.03, "stretch": tilted})
    assert recording_of(settings, {"travel_speed_mm_s": 50.0}, where="here").stretch == tilted
    assert recording_of(settings, {"mm_per_px": 0.02, "stretch": None}, where="here").stretch is None


@pytest.mark.parametrize(
    ("line", "message"),
    [
        ("stretch = [2.0, 0.0, 0.0, 2.0]", "'stretch': must be the rows of a matrix of determinant 1"),
        ("mm_per_px = -1.0", "'mm_per_px': input should be greater than 0"),
    ],
)
def test_a_bad_fact_in_a_settings_file_names_that_file(
    line: str, message: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "mine.toml"
    path.write_text(f"[recording]\nrecord_rate_hz = 10000.0\n{line}\n", encoding="utf-8")
    with pytest.raises(UsageError, match=r"mine\.toml, recording: " + re.escape(message)):
        read_settings(path)
    for command in (["measure", "clip.npy", "--out", str(tmp_path)], ["inspect", "clip.npy"]):
        assert main([*command, "--settings", str(path)]) == 2
        said = capsys.readouterr().err
        assert "mine.toml, recording" in said
        assert "command line" not in said
