"""Prints each direct requirement of pyproject.toml at its lower bound: constraints for pip."""

from __future__ import annotations

import itertools
import tomllib
from pathlib import Path

from packaging.requirements import Requirement

project = tomllib.loads((Path(__file__).parents[1] / "pyproject.toml").read_text())["project"]
for line in itertools.chain(project["dependencies"], *project["optional-dependencies"].values()):
    requirement = Requirement(line)
    floors = [clause.version for clause in requirement.specifier if clause.operator == ">="]
    if floors:
        print(f"{requirement.name}=={floors[0]}")
