"""A recording of any format as blocks of grey frames at native depth, and the facts about it.

>>> import numpy as np, tempfile, pathlib
>>> from poolwatch.clips import open_clip
>>> with tempfile.TemporaryDirectory() as folder:
...     np.save(f"{folder}/clip.npy", np.zeros((5, 8, 16), np.uint8))
...     with open_clip(f"{folder}/clip.npy") as clip:
...         facts = clip.facts
...         shapes = [block.frames.shape for block in clip.blocks(size=2)]
>>> facts.frame_count, facts.width, shapes
(5, 16, [(2, 8, 16), (2, 8, 16), (1, 8, 16)])
"""

from .identity import fingerprint
from .opening import open_clip
from .reader import Reader, ReadFindings, findings_of
from .repeats import repeated
from .settings import ClipSettings

__all__ = [
    "ClipSettings",
    "ReadFindings",
    "Reader",
    "findings_of",
    "fingerprint",
    "open_clip",
    "repeated",
]
