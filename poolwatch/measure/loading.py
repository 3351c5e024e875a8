"""Numba made ready while a clip is being opened: by itself it begins when the first kernel is called, and all waits."""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Iterator


@contextlib.contextmanager
def numba_loading() -> Iterator[None]:
    """Load what Numba needs for its first kernel in a thread beside the block.

    A kernel that is called meanwhile waits, as it would without.
    """
    thread = threading.Thread(target=_load, name="loading", daemon=True)
    thread.start()
    try:
        yield
    finally:
        thread.join()


def _load() -> None:
    from ..pool.matching import step_half

    # What is not ready then, the first kernel's call loads; what is wrong, it tells.
    with contextlib.suppress(Exception), _without_scipy():
        _outdated_as_missing()
        step_half(1.0)


def _outdated_as_missing() -> None:
    """Compile anew what the release before has left compiled, where a type that it took is gone.

    Numba reads the types before it sees that the file of the kernel is another one, and ends with an error.
    """
    from numba.core.caching import IndexDataCacheFile

    load = IndexDataCacheFile._load_index

    def forgiving(self: IndexDataCacheFile) -> dict[object, str]:
        try:
            known: dict[object, str] = load(self)
            return known
        except (AttributeError, ImportError):
            return {}

    if load.__name__ != forgiving.__name__:
        IndexDataCacheFile._load_index = forgiving


@contextlib.contextmanager
def _without_scipy() -> Iterator[None]:
    """Spare Numba the import of `scipy.linalg`, 0.15 s, by which it makes sure of a BLAS for kernels with np.dot.

    None of ours has one. A kernel that has makes sure again when it is compiled, so nothing is lost.
    """
    from numba.np import linalg

    before = linalg.ensure_blas
    linalg.ensure_blas = lambda: None
    try:
        import numba.np.arraymath  # noqa: F401
    finally:
        linalg.ensure_blas = before
    yield
