"""What a settings file points to counts by its content; an index of fewer parts says so."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from poolwatch.measure import read_settings
from poolwatch.measure.score import score
from poolwatch.model.data import data_folder
from poolwatch.model.errors import UsageError
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
    with pytest.raises(UsageError, match=r"materials_file .*a\.toml: cannot be read"):
        read_settings(tmp_path / "settings_a.toml").fingerprint()


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
        min_diameter_mm=0.02, density_kg_m3=6900.0, leave_out=leave_out,
    )  # fmt: skip
    assert ("index_partial" in found.flags) is partial
