"""How much of a broad pale centre the colour map that is learned from the photo would take for colour."""

from __future__ import annotations

import numpy as np

from ..ground.grid import block_places
from ..piece.apart import Parted
from ..piece.blocks import Array, colour_terms
from ..piece.expect import Expected

_CENTRE = 0.6  # full width at half height of the fault asked about, share of the piece


def surviving_share(e: Expected, p: Parted) -> float:
    """Share of a broad pale centre that is left when the colour map has fitted it as well as it can.

    The change that missing dye makes of every block is projected on what the map can express,
    channel by channel, without noise; what is left over is read as missing dye again. About 1 where the
    artwork's colours recur near and far from the middle, 0 where they change from the middle outwards.

    Parameters
    ----------
    e : Expected
    p : Parted

    Returns
    -------
    float
        NaN where too little of the piece can be judged.
    """
    use = e.inside & np.isfinite(p.left[0]).all(axis=2) & np.isfinite(p.var[0]).all(axis=2)
    terms = colour_terms(e.device[use], e.degree).astype(float)
    if len(terms) < 4 * terms.shape[1]:
        return float("nan")
    u, v = np.moveaxis(2 * block_places(e.inside.shape, e.step_mm)[use] / e.size_mm - 1, 1, 0)
    fault = np.exp(-np.log(2) * (u**2 + v**2) / _CENTRE**2)
    weight = np.minimum(e.rel[use].mean(axis=1) / 0.03, 1.0) / (1 + (0.5 * e.texture[use]) ** 2)
    depth = p.depth[use]
    signature = depth * fault[:, None]
    a = terms * weight[:, None]
    taken = np.linalg.lstsq(a.T @ terms, a.T @ signature, rcond=1e-9)[0]
    info = depth / p.var[0][use]
    power = (info * depth).sum(axis=1)
    lack: Array = (info * (signature - terms @ taken)).sum(axis=1) / np.maximum(power, 1e-12)
    bump = fault - (power * fault).sum() / power.sum()
    return float((power * bump * lack).sum() / max((power * bump * fault).sum(), 1e-12))
