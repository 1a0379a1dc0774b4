"""Was the piece lit from where we were told? Light from behind passes the dye once, so that every density is halved."""

from __future__ import annotations

from typing import Any

import numpy as np

from ..ground.cielab import srgb_to_linear
from ..ground.records import Floats, Lit, Reason, Step
from ..ground.robust import robust_least_squares

_TONES = (0.1, 0.9)  # density of the front in which noise and the coat's own black hardly tell
_FEW = 8
_SPREAD_TONES = 0.12  # density; pictures of fewer tones have no contrast to tell by
_HALF, _PALE, _WHOLE = 0.6, 0.75, 0.75  # share of the front's density: half of it, pale at least, whole (simulation)
_PALE_BLACK, _DEEP_BLACK = 1.35, 1.25  # density that a black from behind stays under, and one from the front exceeds
_HALF_ALONE, _WHOLE_ALONE, _ALIKE_ALONE = 0.55, 0.8, 0.35  # the same for pieces, whose black need not be known
_DEPTH = 1.45  # density of black over share of the mid-tones: a print made for the window has less
_ALIKE = 0.2  # largest difference of ln(share) between channels: a weak press takes unlike shares of the dyes
_OWN_BLACK = 24  # codes up to which a colour is black


def lit_otherwise(device_rgb: Floats, rel: Floats, lit: Lit, *, white_known: bool = True) -> Reason | None:
    """Notice a piece that was lit from the other side than told.

    Parameters
    ----------
    device_rgb : (n, 3)
        0–255, of colours printed as usual.
    rel : (n, 3)
        Linear colour seen, relative to the bare coat.
    lit : {'front', 'behind'}
        As told.
    white_known : bool
        Whether the level of the bare coat was seen; else only the contrast of the print tells.

    Returns
    -------
    Reason or None
        A reason to take the photo again, or a note where a pale print would look alike; None when all is as told, or
        too few colours tell.
    """
    share, spread = _share(device_rgb, rel, white_known)
    black = white_known & (device_rgb.max(axis=1) <= _OWN_BLACK) & np.isfinite(rel).all(axis=1)
    if not np.isfinite(share):
        return None
    deepest = float(-np.log10(max(float(np.median(rel[black].mean(axis=1))), 1e-4))) if black.any() else float("nan")
    told: dict[str, Any] = {"lit": lit, "black_density": deepest}
    if lit == "behind":
        if share > (_WHOLE if black.any() else _WHOLE_ALONE) and not deepest <= max(_DEEP_BLACK, _DEPTH * share):
            return Reason("lit-otherwise", share, _WHOLE, 0.0, "fail", Step.PHOTO, detail=told)
        return None
    if share > _PALE or deepest > _PALE_BLACK:
        return None
    sure = share < (_HALF if black.any() else _HALF_ALONE) and spread < (_ALIKE if black.any() else _ALIKE_ALONE)
    if not black.any() and not sure:
        return None
    return Reason("lit-otherwise", share, _HALF, 0.0, "fail" if sure else "note", Step.PHOTO, detail=told)


def black_passes(density: float, lit: Lit) -> list[Reason]:
    """Say how much light the black of a piece lit from behind lets pass: nothing darker can be had there."""
    if lit == "front" or not np.isfinite(density):
        return []
    return [Reason("black-passes", 100 * 10**-density, float("nan"), 0.0, "note", Step.COLOUR)]


def _share(device_rgb: Floats, rel: Floats, white_known: bool) -> tuple[float, float]:
    """Density seen over that of the front's aim, median of the channels, and how far ln of them differ."""
    due = -np.log10(np.maximum(srgb_to_linear(device_rgb / 255.0), 1e-3))
    seen = -np.log10(np.clip(rel, 1e-3, 2.0))
    shares = []
    for c in range(3):
        at = (due[:, c] > _TONES[0]) & (due[:, c] < _TONES[1]) & np.isfinite(seen[:, c])
        if at.sum() < _FEW:
            continue
        x, y = due[at, c], seen[at, c]
        if white_known:
            order = np.argsort(y / x)
            shares.append(float((y / x)[order][np.searchsorted(np.cumsum(x[order]), 0.5 * x.sum())]))
        elif x.std() > _SPREAD_TONES:
            fit, _, _ = robust_least_squares(np.stack([np.ones_like(x), x], axis=1), y, floor=0.02)
            shares.append(float(fit[1]))
    if len(shares) < 3:
        return float("nan"), float("nan")
    return float(np.median(shares)), float(np.ptp(np.log(np.maximum(shares, 0.05))))
