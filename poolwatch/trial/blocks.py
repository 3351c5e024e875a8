"""Days, sheets, batches: how shapes stand in them, and what is left of a weld once they are taken out."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..experiment.factors import BLOCK
from ..experiment.logit import expit, logit

if TYPE_CHECKING:
    from collections.abc import Sequence

    import pandas as pd

Floats = NDArray[np.float64]
Kind = Literal["none", "crossed", "nested"]
# Shares of a weld's own scatter below this are rounding: the blocks leave nothing of it.
_NOTHING = 1e-9


@dataclass(frozen=True)
class Layout:
    """Which shape stood in which block.

    The model is additive on the logit of the index: shape + block + scatter of the weld.

    Attributes
    ----------
    kind
        ``none``: blocks are not taken out, for there are none, each weld has its own, or they leave no degree of
        freedom. ``crossed``: shapes share blocks, what blocks differ by is taken out. ``nested``: no two shapes share a
        block and some block holds several welds, so a block counts once, not each weld in it.
    place, block
        Number of the shape and of the block of each weld, shape (n,). A weld without a label is its own block.
    linked
        Whether a chain of shared blocks leads from one shape to the other, shape (k, k). Between shapes that none
        links the difference is mixed up with that between blocks.
    weights
        What each weld counts for the mean of each shape, blocks taken out, shape (k, n): the mean over the blocks of
        all welds that are linked with it. The plain mean over its welds where the shapes stand alike in all blocks.
    moved
        Whether `weights` are other than those of the plain means.
    own_df
        Degrees of freedom that blocks and shapes leave of each shape's welds, shape (k,).
    live
        Welds of each shape that have a part in them, shape (k,).
    total_df
        Their sum.
    blocks
        How many blocks hold two welds or more.
    labelled
        Whether each weld has a label, shape (n,).
    """

    kind: Kind
    place: NDArray[np.int64]
    block: NDArray[np.int64]
    linked: NDArray[np.bool_]
    weights: Floats
    moved: bool
    own_df: Floats
    live: NDArray[np.int64]
    total_df: int
    blocks: int
    labelled: NDArray[np.bool_]

    @property
    def paired(self) -> bool:
        """Whether there are two shapes and no block holds one of them twice: differences within blocks then tell."""
        shapes = len(self.own_df)
        return self.kind == "crossed" and shapes == 2 and bool((self.table <= 1).all())

    @property
    def table(self) -> NDArray[np.int64]:
        """Welds of each shape in each block, shape (k, blocks)."""
        counted = np.zeros((len(self.own_df), int(self.block.max()) + 1), dtype=np.int64)
        np.add.at(counted, (self.place, self.block), 1)
        return counted

    def residuals(self, value: ArrayLike) -> Floats:
        """What shape and block leave of each weld, shape (n,); rounding comes out as 0."""
        value = np.asarray(value, dtype=np.float64)
        left = (
            value - _of_blocks(value, self.block) - _centred(self.place, self.block) @ (self.weights @ value)
        )
        return np.where(np.abs(left) > 1e-12 * max(1.0, float(np.abs(value).max())), left, 0.0)

    def lift(self, index: ArrayLike) -> Floats:
        """By how many points taking the blocks out moves each shape's mean index.

        Crossed: to the mean over its welds as if each stood in the blocks of all welds that it is linked with, in
        turn. Nested: to the mean over blocks.

        Parameters
        ----------
        index
            0 to 100, shape (…, n).

        Returns
        -------
        NDArray
            Shape (…, k).
        """
        index = np.asarray(index, dtype=np.float64)
        plain = _plain(self.place)
        if self.kind != "crossed":
            return np.asarray(index @ (self.weights - plain).T)
        value = logit(index)
        shape = (value @ self.weights.T)[..., self.place]
        size = np.bincount(self.block)
        member = (self.block[:, None] == np.arange(len(size))) / size
        blocks = (value - shape) @ member
        own = value - blocks[..., self.block]
        # How many of the welds linked with each shape stand in each block, shape (k, blocks).
        share = self.linked.astype(float) @ self.table
        share = share / share.sum(axis=1, keepdims=True)
        moved = np.zeros((*index.shape[:-1], len(self.own_df)))
        for k in range(len(size)):
            moved += share[:, k] * (expit(own + blocks[..., k : k + 1]) @ plain.T)
        return np.asarray(moved - index @ plain.T)


def block_labels(rows: pd.DataFrame) -> list[str] | None:
    """The block of each row, empty where it has none; None without a column of blocks."""
    column = f"factor_{BLOCK}"
    if column not in rows:
        return None
    return ["" if value is None or value != value else str(value).strip() for value in rows[column]]


def lay_out(shape: ArrayLike, label: Sequence[str] | None, names: Sequence[str]) -> Layout:
    """How shapes stand in blocks.

    Parameters
    ----------
    shape
        Name of the shape of each weld, shape (n,).
    label
        Block of each weld, empty where unknown; None without blocks.
    names
        The shapes, in the order wanted, k of them.

    References
    ----------
    Searle S. R., Linear Models, Wiley 1971, chapter 7: two-way crossed classification without interaction, unequal
    numbers; connectedness.
    """
    numbers = {name: k for k, name in enumerate(names)}
    place = np.array([numbers[name] for name in np.asarray(shape, dtype=object)], dtype=np.int64)
    count, shapes = len(place), len(names)
    known = label if label is not None else [""] * count
    none = _without_blocks(place, shapes, known)
    block, size, plain = none.block, np.bincount(none.block), _plain(place)
    if len({name for name in known if name}) < 2 or size.max() < 2:
        return none
    linked = _linked(place, block, shapes)
    if (linked.sum(axis=1) == 1).all():
        mean_of = np.stack([_over_blocks(place == k, block) for k in range(shapes)])
        return replace(none, kind="nested", linked=linked, **_means(none, mean_of))
    centred = _centred(place, block)
    within = np.linalg.pinv(centred.T @ centred, hermitian=True, rcond=1e-10) @ centred.T
    # One less its leverage: the share of each weld's own scatter that stays in its residual.
    left = 1 - 1 / size[block] - np.einsum("nk,kn->n", centred, within)
    live = left > _NOTHING
    groups = len({tuple(row) for row in linked})
    total = count - len(size) - shapes + groups
    if total < 1:
        return none
    # The level of linked shapes: that of all their welds, so that their mean over welds stays where it is.
    share = linked * np.bincount(place, minlength=shapes)
    share = share / share.sum(axis=1, keepdims=True)
    weights = within - share @ within + share @ plain
    return replace(
        none,
        kind="crossed",
        linked=linked,
        own_df=np.bincount(place[live], left[live], minlength=shapes).astype(np.float64),
        live=np.bincount(place[live], minlength=shapes),
        total_df=total,
        **_means(none, weights),
    )


def _without_blocks(place: NDArray[np.int64], shapes: int, known: Sequence[str]) -> Layout:
    """Welds whose blocks tell nothing; each weld whose block is not known is a block by itself."""
    block = np.unique([name if name else f"\0{n}" for n, name in enumerate(known)], return_inverse=True)[1]
    return Layout(
        "none",
        place,
        block.astype(np.int64),
        np.ones((shapes, shapes), dtype=np.bool_),
        _plain(place),
        False,
        np.bincount(place, minlength=shapes).astype(np.float64) - 1,
        np.bincount(place, minlength=shapes),
        len(place) - shapes,
        int((np.bincount(block) > 1).sum()),
        np.array([bool(name) for name in known], dtype=np.bool_),
    )


def block_notes(layout: Layout, clips: Sequence[str], names: Sequence[str]) -> list[str]:
    """What was done about blocks and what they cannot tell, one sentence each.

    Parameters
    ----------
    layout
        As from `lay_out`.
    clips
        Name of each weld, in the order of `layout`.
    names
        The shapes, in the order of `layout`.
    """
    labels = len(set(layout.block[layout.labelled].tolist()))
    if labels < 2:
        return []
    if layout.kind == "none":
        why = (
            "they leave no degree of freedom to know the scatter by"
            if layout.blocks
            else "no block holds two welds"
        )
        return [
            f"blocks: what days, sheets or batches differ by is not taken out, for {why}; it counts as scatter from "
            "weld to weld and may hide a difference"
        ]
    if layout.kind == "nested" and len(names) == 1:
        notes = [
            "blocks: the interval rests on how far days, sheets or batches differ: each block counts once, however "
            "many welds it holds"
        ]
    elif layout.kind == "nested":
        notes = [
            "blocks: no two shapes share a day, sheet or batch, so a difference between shapes is told only by how far "
            "blocks of one shape differ: each block counts once, however many welds it holds. Weld all shapes in every "
            "block"
        ]
    else:
        notes = [
            f"blocks: differences between the {layout.blocks} days, sheets or batches of two welds or more are taken "
            f"out of the comparison of shapes. That leaves {layout.total_df} degree{'s' * (layout.total_df > 1)} of "
            "freedom; the interval of a shape's own mean still holds them"
        ]
        if layout.moved:
            notes.append(
                "blocks: they hold the shapes unequally, so the mean of each shape is corrected to the blocks of all "
                "the welds that it is compared with"
            )
    if not layout.labelled.all():
        notes.append(_unknown_note(layout, clips))
    if layout.kind == "crossed" and not layout.linked.all():
        seen = dict.fromkeys(tuple(np.flatnonzero(row).tolist()) for row in layout.linked)
        sets = "; ".join(" and ".join(names[k] for k in members) for members in seen)
        notes.append(
            f"blocks: none links these sets of shapes: {sets}. A difference between shapes of two sets cannot be "
            "separated from that between their blocks, so no test is made there"
        )
    return notes


def _unknown_note(layout: Layout, clips: Sequence[str]) -> str:
    """What becomes of welds whose block is not known."""
    unknown = [clip for clip, known in zip(clips, layout.labelled, strict=True) if not known]
    more = f" and {len(unknown) - 5} more" if len(unknown) > 5 else ""
    said = "tells nothing between shapes" if layout.kind == "crossed" else "counts as one"
    return (
        f"blocks: no block is given for {', '.join(unknown[:5])}{more}; a weld without one is taken for a block by "
        f"itself, which {said}"
    )


def _means(none: Layout, weights: Floats) -> dict[str, Any]:
    """The weights, or those of the plain means where only rounding is between them."""
    moved = not np.allclose(weights, none.weights, rtol=0, atol=1e-9)
    return {"weights": weights if moved else none.weights, "moved": moved}


def _plain(place: NDArray[np.int64]) -> Floats:
    """Weights of the plain means, shape (k, n)."""
    member = (np.arange(place.max() + 1)[:, None] == place).astype(float)
    return np.asarray(member / member.sum(axis=1, keepdims=True))


def _centred(place: NDArray[np.int64], block: NDArray[np.int64]) -> Floats:
    """Which shape each weld has, less the share of that shape in its block, shape (n, k)."""
    member = (place[:, None] == np.arange(place.max() + 1)).astype(float)
    share = np.zeros((int(block.max()) + 1, member.shape[1]))
    np.add.at(share, block, member)
    return np.asarray(member - (share / np.bincount(block)[:, None])[block])


def _of_blocks(value: Floats, block: NDArray[np.int64]) -> Floats:
    """The mean of each weld's block, shape (n,)."""
    return np.asarray((np.bincount(block, value) / np.bincount(block))[block])


def _over_blocks(mine: NDArray[np.bool_], block: NDArray[np.int64]) -> Floats:
    """Weights of the mean over the blocks that hold some welds, each block counting once, shape (n,)."""
    size = np.bincount(block[mine], minlength=int(block.max()) + 1)
    return np.where(mine, 1 / np.maximum(size[block], 1) / (size > 0).sum(), 0.0)


def _linked(place: NDArray[np.int64], block: NDArray[np.int64], shapes: int) -> NDArray[np.bool_]:
    held = np.zeros((shapes, int(block.max()) + 1), dtype=np.int64)
    held[place, block] = 1
    linked = np.eye(shapes, dtype=np.bool_) | (held @ held.T > 0)
    while True:
        further = (linked.astype(np.int64) @ linked) > 0
        if (further == linked).all():
            return linked
        linked = further
