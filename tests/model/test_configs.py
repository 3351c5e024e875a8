"""The commented settings files say what the defaults are, and are valid."""

from __future__ import annotations

import re

import pytest

from poolwatch.measure import MeasureSettings, read_settings
from poolwatch.model.data import data_folder
from poolwatch.model.materials import material, materials
from poolwatch.reference import config_files


@pytest.mark.parametrize(("name", "text"), config_files().items())
def test_the_files_are_what_the_settings_say(name, text):
    assert (data_folder("configs") / name).read_text(encoding="utf-8") == text, (
        "poolwatch explain --configs configs"
    )


def test_examples_in_the_files_are_taken(tmp_path):
    """Each line that is an example is a setting that can be given."""
    lines = config_files()["glowing.toml"].splitlines()
    name = re.compile(r"# (\[recording\]|[a-z_]+ = .+)$")
    given = [found[1] if (found := name.match(line)) else line for line in lines]
    given = [line for line in given if not line.startswith(("mask = ", "materials_file = "))]
    (tmp_path / "all.toml").write_text("\n".join(given), encoding="utf-8")
    settings = read_settings(tmp_path / "all.toml")
    assert settings.recording["record_rate_hz"] == 10_000
    assert settings.view.region == (32, 0, 480, 512)
    assert settings.stability.steady.stop_s == 0.8


def test_glowing_file_holds_the_defaults():
    assert read_settings(data_folder("configs") / "glowing.toml") == MeasureSettings()


def test_illuminated_file_differs_in_the_footage_alone():
    settings = read_settings(data_folder("configs") / "illuminated.toml")
    assert settings.pool.footage == "illuminated"
    pool = settings.pool.model_copy(update={"footage": "auto"})
    assert settings.model_copy(update={"pool": pool}) == MeasureSettings()


@pytest.mark.parametrize(
    ("key", "density"),
    # Liquid density at the melting point, kg/m³. Al, Fe: Assael et al., J. Phys. Chem. Ref. Data 35 (2006) 285;
    # Cu: 39 (2010) 033105; Ni: High Temp.-High Press. 41 (2012) 161.
    [("aluminium", 2377.23), ("iron", 7034.96), ("copper", 7997.0), ("nickel", 7861.0)],
)
def test_densities_of_the_literature(key, density):
    assert material(key).density_kg_m3 == pytest.approx(density, rel=1e-4)


def test_every_material_names_its_source():
    for metal in materials().values():
        assert len(metal.source) > 20
        assert 0 < metal.density_u_rel < 0.1


def test_unknown_material_lists_those_there_are():
    with pytest.raises(ValueError, match=r"unknown material 'unobtainium'; known: aluminium, iron"):
        material("unobtainium")
