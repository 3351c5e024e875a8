"""A measurer that invents score rows from the bytes of small text files: fast, exact, the same every time.

A recording is a text file of ``name = value`` lines, with its score row below: ``unsteadiness``, and where wanted ``seconds`` (how long the
measuring takes), ``fail`` (an error's text), ``crash`` (dies by this signal), ``band_high``, ``smallest``,
``footage``, ``lack`` (index part that it cannot give).
"""

from __future__ import annotations

import hashlib
import os
import signal
import time
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from poolwatch.model.errors import ClipError, MeasurementError
from poolwatch.model.files import write_text
from poolwatch.trial.measurer import Job, Report, SharedBasis

if TYPE_CHECKING:
    import pandas as pd


def facts(text: str) -> dict[str, str]:
    head, _, row = text.partition("---\n")
    pairs = (line.split("=", 1) for line in head.splitlines() if "=" in line)
    return {name.strip(): value.strip() for name, value in pairs} | {"row": row}


def recording(content: str, name: str) -> str:
    """The text of a recording: what was said of it, and the score row that follows from that and its name."""
    import numpy as np

    from poolwatch.model.table import csv_text
    from tests.trial.simulated import score_rows

    said = facts(content)
    seed = int(hashlib.sha256(name.encode()).hexdigest()[:8], 16)
    row = score_rows(np.random.default_rng(seed), [float(said.get("unsteadiness", 1))], 1)
    row["clip_id"] = "CLIP_ID"
    row["settings_id"] = "default"
    row["record_rate_hz"] = 10_000.0
    row["band_high_hz"] = float(said.get("band_high", 5000))
    row["spatter_min_diameter_mm"] = float(said.get("smallest", 0.05))
    row["footage"] = said.get("footage", "glowing")
    if "lack" in said:
        row[f"d_{said['lack']}"] = np.nan
    return f"{content}\nname = {name}\n---\n{csv_text(row)}"


@dataclass(frozen=True)
class InventedMeasurer:
    log: Path | None = None

    def fingerprint(self, path: Path) -> str:
        return hashlib.sha256(path.read_bytes()).hexdigest()[:16]

    def check_opens(self, path: Path, settings: Path | None) -> None:
        if "---\n" not in path.read_text():
            raise ClipError(f"{path}: no end of the recording is found")

    def settings_id(self, settings: Path | None) -> str:
        return "default" if settings is None else hashlib.sha256(settings.read_bytes()).hexdigest()[:16]

    def unready(self) -> bool:
        return False

    def make_ready(self) -> None:
        pass

    def weights(self, settings: Path | None) -> dict[str, float]:
        from tests.trial.simulated import WEIGHT

        return WEIGHT

    def measure(self, job: Job, report: Report) -> None:
        said = facts(job.path.read_text())
        if self.log is not None:
            with self.log.open("a") as log:
                log.write(job.name + "\n")
        for part in range(10):
            time.sleep(float(said.get("seconds", "0")) / 10)
            report(part + 1, 10)
        if "fail" in said:
            raise MeasurementError(f"{job.name}: {said['fail']}")
        if "crash" in said:
            os.kill(os.getpid(), getattr(signal, said["crash"]))
        if "bug" in said:
            raise RuntimeError(said["bug"])
        write_text(job.folder / "frames.csv", "frame\n" + "\n".join(map(str, range(50))))
        write_text(job.folder / "score.csv", said["row"].replace("CLIP_ID", self.fingerprint(job.path)))
        if job.overlay:
            (job.folder / "overlay.mp4").write_bytes(b"video")
        (job.folder / "source.txt").write_text(str(job.path))

    def rescore(self, folder: Path, basis: SharedBasis) -> pd.DataFrame:
        import pandas as pd

        from poolwatch.model.tables import SCORE

        row = pd.read_csv(folder / "score.csv")
        if self.log is not None:
            with self.log.open("a") as log:
                log.write(f"rescore {folder.name}\n")
        if basis.band_hz:
            row["band_low_hz"], row["band_high_hz"] = basis.band_hz
            row["stability_index"] *= 0.99
        if basis.min_diameter_mm:
            row["spatter_min_diameter_mm"] = basis.min_diameter_mm
        for part in basis.leave_out:
            row[f"d_{part}"] = float("nan")
        return SCORE.frame(row.to_dict("records"))


def lay_out(place: Path, clips: dict[str, str], extra: str = "", cells: dict[str, str] | None = None) -> Path:
    """Write recordings (``shape/replicate`` to content) and a manifest beside them."""
    lines = ["clip,beam_shape,replicate,record_rate_hz,mm_per_px" + extra]
    for name, content in clips.items():
        shape, replicate = name.split("/")
        path = place / "clips" / shape / f"weld{replicate}.avi"
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(recording(content, name))
        lines.append(
            f"clips/{shape}/weld{replicate}.avi,{shape},{replicate},10000,0.02" + (cells or {}).get(name, "")
        )
    manifest = place / "manifest.csv"
    manifest.write_text("\n".join(lines) + "\n")
    return manifest


def ordinary(welds: int = 3, more: str = "") -> dict[str, str]:
    levels = {"crescent": 0.4, "flat-top": 0.7, "single-spot": 1.2}
    return {
        f"{shape}/{n}": f"unsteadiness = {u}\n{more}"
        for shape, u in levels.items()
        for n in range(1, welds + 1)
    }
