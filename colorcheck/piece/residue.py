"""Photos of a finished piece and its artwork → the residue: what was seen and what was due, light taken out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from ..ground.displaced import with_displacement
from ..ground.due import dye_floor
from ..ground.grid import Array
from ..ground.movinglight import mirrored
from ..ground.records import Lit, Shape
from ..ground.residue import Residue, standing_out
from .apart import TONE_STD, Parted, separate
from .blocks import Answer, PieceView, lay_in_blocks
from .expect import Expected, expected_image
from .swallowed import surviving_share

_PLACED_MM = 0.1  # artworks are cut and scaled by a part of a pixel, and printers feed paper so; estimate


def piece_residue(
    views: Sequence[PieceView],
    artwork: Any,
    size_mm: tuple[float, float],
    shape: Shape = "rect",
    *,
    answer: Answer | None = None,
    source: str = "reading",
    rim_mm: float = 1.5,
    tone_std: float = TONE_STD,
    lit: Lit = "front",
) -> Residue:
    """Learn what the artwork's colours and the light look like, and take both out of the photos.

    Parameters
    ----------
    views : sequence of PieceView
        One or several registered photos of the piece.
    artwork : (H, W, 3)
        Device RGB 0–255 over the piece, as its viewer sees it, blurred as the photo is.
    answer : callable, optional
        Device RGB → linear RGB relative to the coat, from a reading or a profile.
    tone_std : float
        As for `separate`.

    Returns
    -------
    Residue
    """
    laid = lay_in_blocks(views, artwork, size_mm, shape, answer=answer, source=source, rim_mm=rim_mm, lit=lit)
    # what may be a spot or a reflection must not teach what its colours look like; several photos tell a reflection by
    # where it stays, and each then learns from the others' print there
    first = expected_image(laid, turns=2)
    before = _joined(first, separate(first, tone_std=tone_std))
    doubtful = standing_out(before) if len(views) == 1 else mirrored(before)[0]
    expected = expected_image(laid, doubtful=doubtful, before=first, turns=3)
    parted = separate(expected, tone_std=tone_std)
    res = _joined(expected, parted)
    learned = surviving_share(expected, parted) if expected.source == "photo" else 1.0
    return with_displacement(replace(res, standout=standing_out(res), centre_left=learned, lit=lit))


def _joined(e: Expected, p: Parted) -> Residue:
    """Bring both halves into the one record."""
    nothing: Array = np.zeros(p.left.shape[:3], bool)
    return Residue(
        size_mm=e.size_mm,
        shape=e.shape,
        step_mm=e.step_mm,
        rel=e.rel,
        device=e.device,
        depth=p.depth,
        slope_x=e.slope_x,
        slope_y=e.slope_y,
        blur=e.blur,
        texture=e.texture,
        inside=e.inside,
        group=p.colour_group,
        group_var=p.colour_var,
        fine_rel=e.fine_rel,
        fine_px_per_mm=e.fine_px_per_mm,
        floor=dye_floor(e),
        left=p.left,
        var=p.var,
        standout=nothing,
        fine_seen=tuple(v.fine for v in e.views),
        fine_ok=tuple(v.fine_ok for v in e.views),
        shift_mm=p.shift_mm,
        light=p.light,
        light_basis=p.light_basis,
        light_cov=p.light_cov,
        light_ratio=p.ratio,
        anchors=p.anchors,
        ambiguous=p.ambiguous,
        settle_by=p.settle_by,
        light_doubt=p.doubt,
        colour_doubt=p.colour_doubt,
        centre_left=1.0,
        coat=e.coat,
        source=e.source,
        placed_mm=_PLACED_MM,
        drawn_mm=_PLACED_MM,
    )
