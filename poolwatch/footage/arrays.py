"""Arrays of values: NPY, HDF5 and headerless raw with its sidecar."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..model.files import write_text, written_whole
from .formats import FootageOptions
from .raw_layout import Packing, RawLayout, pack, sidecar_path, sidecar_text


def write_npy(path: Path, frames: Iterable[NDArray[Any]], shape: tuple[int, int]) -> None:
    """Append frames to an NPY file and set its length at the end.

    Raises
    ------
    OutputError
        The place cannot be written.
    """
    count = 0
    dtype = np.dtype(np.uint8)
    with written_whole(path) as beside, beside.open("wb") as file:
        for frame in frames:
            if count == 0:
                dtype = frame.dtype.newbyteorder("<")
                _npy_header(file, dtype, (0, *shape))
                begin = file.tell()
            np.ascontiguousarray(frame, dtype=dtype).tofile(file)
            count += 1
        file.seek(0)
        # NumPy leaves room in the header so that the first axis can grow in place.
        _npy_header(file, dtype, (count, *shape))
        if file.tell() != begin:
            raise AssertionError("the NPY header changed its length")


def _npy_header(file: Any, dtype: np.dtype[Any], shape: tuple[int, ...]) -> None:
    description = {"descr": np.lib.format.dtype_to_descr(dtype), "fortran_order": False, "shape": shape}
    np.lib.format.write_array_header_1_0(file, description)


def write_hdf5(
    path: Path, frames: Iterable[NDArray[Any]], shape: tuple[int, int], compression: str, depth_bits: int
) -> None:
    """Write the data set ``frames`` (n, height, width), in chunks of whole frames.

    Raises
    ------
    OutputError
        The place cannot be written.
    """
    import h5py

    with written_whole(path) as beside, h5py.File(beside, "w") as file:
        data = None
        held: list[NDArray[Any]] = []
        for frame in frames:
            if data is None:
                # Chunks near 1 MB: whole frames, so that one frame never costs more than its chunk.
                in_chunk = max(1, min(16, (1 << 20) // max(frame.nbytes, 1)))
                data = file.create_dataset(
                    "frames",
                    shape=(0, *shape),
                    maxshape=(None, *shape),
                    chunks=(in_chunk, *shape),
                    dtype=frame.dtype,
                    compression=compression or None,
                )
                data.attrs["depth_bits"] = depth_bits
            held.append(frame)
            if len(held) == in_chunk:
                _append(data, held)
        if held:
            _append(data, held)


def _append(data: Any, held: list[NDArray[Any]]) -> None:
    data.resize(len(data) + len(held), axis=0)
    data[-len(held) :] = np.stack(held)
    held.clear()


def write_raw(
    path: Path,
    frames: Iterable[NDArray[Any]],
    shape: tuple[int, int],
    packing: str,
    depth_bits: int,
    options: FootageOptions,
) -> None:
    """Write bare values and the sidecar that says how to read them.

    Raises
    ------
    OutputError
        The place cannot be written.
    """
    height, width = shape
    layout = RawLayout(
        width=width,
        height=height,
        depth_bits=depth_bits,
        packing=Packing(packing),
        align=options.align if packing == "none" else "low",
        byte_order=options.byte_order,
        header_bytes=options.header_bytes,
        frame_header_bytes=options.frame_header_bytes,
    )
    with written_whole(path) as beside:
        with beside.open("wb") as file:
            file.write(bytes(layout.header_bytes))
            for frame in frames:
                file.write(bytes(layout.frame_header_bytes))
                file.write(pack(frame, layout))
        write_text(sidecar_path(path), sidecar_text(layout))
