"""Photos of a pressed target → the residue: its cells tell the light, and what each colour was due to be."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np

from ..ground.displaced import with_displacement
from ..ground.due import Due, answers, block_depth, colour_groups, dye_floor, log_left, prior_variance, settle_colours
from ..ground.grid import Array, block_means, block_places, means_in_blocks
from ..ground.records import CellFlag, FlatImage, Floats, Light, Lit, Target
from ..ground.residue import Residue, standing_out
from ..ground.robust import polynomial_terms
from .onephoto import WorkedPhoto
from .sheetgrid import RIM_MM, fill_boxes, outline

_FINE_PIXELS = 1_000_000
_PLACED_MM = 0.05  # cells are drawn by the layout and found by their edges; estimate
_FINE_PER_MM = (2, 6)
_FINE = 2  # the layout is drawn so many times finer than it is looked at
_TO_90 = 2.563  # width from 10 to 90 % of a step blurred by a Gaussian, in standard deviations
_LIGHT_DEGREE = 3
_AWAY_MM = 0.6  # beside markers, code and text nothing is judged
_NO_COLOUR = int(CellFlag.CLIPPED | CellFlag.HIDDEN)


def sheet_residue(
    target: Target,
    photos: Sequence[WorkedPhoto],
    due: Floats,
    error: Floats,
    typical: Floats,
    *,
    edge_mm: float,
    lit_from: Lit,
) -> Residue:
    """Lay seen and due of a target side by side.

    Parameters
    ----------
    photos : sequence of WorkedPhoto
        Of which each still has its flat picture.
    due, error : (n, 3)
        Linear colour relative to the coat that every cell should have, and how well that is known.
    typical : (3,)
        The same of the field.
    edge_mm : float
        Width of a cell's blurred edge.
    lit_from : {'front', 'behind'}
        A print of half the density tells half as well where it lies.

    Returns
    -------
    Residue
    """
    big = max(target.size_mm)
    step = 1.0 if big < 110 else 2.0
    g = float(np.clip(int(np.sqrt(_FINE_PIXELS / (target.size_mm[0] * target.size_mm[1]))), *_FINE_PER_MM))
    b = round(step * g)
    hw = (round(target.size_mm[1] * g), round(target.size_mm[0] * g))
    cells = _drawn_cells(target, hw, g)
    colours = np.vstack([typical, due]).astype(np.float32)
    device = np.vstack([target.field_rgb, target.device_rgb]).astype(np.float32)
    blur = max(edge_mm / _TO_90 * g, 0.4)
    fine_rel = cv2.GaussianBlur(_drawn(cells, colours, hw), (0, 0), blur)
    fine_device = _drawn(cells, device, hw)
    judged = outline(target, hw, g, RIM_MM).astype(np.float32)
    fill_boxes(judged, target.keep_out_mm, g, _AWAY_MM, 0)
    weight: Any = cv2.merge((judged,) * 3)
    fill = block_means(judged, b).astype(float)
    inside = fill > _LEAST_FILL
    rel = np.maximum(means_in_blocks(fine_rel, weight, fill, b), 1e-3)
    slope_x, slope_y, more_blur, texture = answers(fine_rel, rel, weight, fill, g, b)
    e = Due(
        rel=rel,
        device=means_in_blocks(fine_device, weight, fill, b),
        slope_x=slope_x,
        slope_y=slope_y,
        blur=more_blur,
        texture=texture,
        inside=inside,
        fine_rel=fine_rel,
        fine_device=fine_device,
        fine_px_per_mm=g,
        step_mm=step,
    )
    places = block_places(inside.shape, step)
    seen, light, fills, oks = [], [], [], []
    for photo in photos:
        flat, lit = photo.result.flat, photo.result.light
        assert flat is not None
        fine, ok = _seen(flat, lit, cells, target, hw)
        usable = judged.copy()
        lost = (photo.result.cells.flags & _NO_COLOUR) != 0
        fill_boxes(usable, target.box_mm[lost], g, target.pitch_mm - target.cell_mm, 0)
        ok &= usable > 0
        part = ok.astype(np.float32)
        share = block_means(part, b).astype(float)
        y = means_in_blocks(fine, cv2.merge((part,) * 3), share, b)
        at = cv2.resize(lit.e_map.astype(np.float32), inside.shape[::-1], interpolation=cv2.INTER_LINEAR)
        seen.append(np.where((share > _LEAST_FILL)[..., None], log_left(y, at, rel), np.nan))
        light.append(at.astype(float))
        fills.append(np.where(share > _LEAST_FILL, share, 0.0))
        oks.append((fine, ok))
    left = np.stack(seen)
    depth = block_depth(e)
    group = colour_groups(e.device, inside)
    left, var, group_var = settle_colours(
        left,
        depth,
        np.zeros(inside.shape),
        group,
        places,
        prior_variance(e) + _cell_variance(cells, error, due, weight, fill, b, hw),
        e,
        doubtful=np.broadcast_to(~inside, left.shape[:3]),
        learn_alone=False,
        fill=np.stack(fills),
    )
    basis, cov = _light_doubt(target, places, photos)
    res = Residue(
        size_mm=target.size_mm,
        shape=target.shape,
        step_mm=step,
        rel=rel,
        device=e.device,
        depth=depth,
        slope_x=slope_x,
        slope_y=slope_y,
        blur=more_blur,
        texture=texture,
        inside=inside,
        group=group,
        group_var=group_var,
        fine_rel=fine_rel,
        fine_px_per_mm=g,
        floor=dye_floor(e),
        left=left,
        var=var,
        standout=np.zeros(left.shape[:3], bool),
        fine_seen=tuple(f for f, _ in oks),
        fine_ok=tuple(ok for _, ok in oks),
        shift_mm=np.zeros((len(photos), 2, 3)),
        light=np.stack(light),
        light_basis=np.broadcast_to(basis, (len(photos), *basis.shape)),
        light_cov=cov,
        light_ratio=max(p.result.light.ratio for p in photos),
        anchors=("cells",),
        ambiguous=(),
        settle_by="",
        light_doubt=np.zeros(4),
        colour_doubt=np.zeros(4),
        centre_left=1.0,
        coat="artwork",
        source="target",
        placed_mm=_PLACED_MM if lit_from == "front" else 2 * _PLACED_MM,
        drawn_mm=_PLACED_MM if lit_from == "front" else 2 * _PLACED_MM,
        lit=lit_from,
    )
    return with_displacement(replace(res, standout=standing_out(res)))


_LEAST_FILL = 0.3


@dataclass(frozen=True, slots=True, eq=False)
class _Drawn:
    """One cell in fine pixels: those it touches and its ``share`` of each (h, w, 1), those whose middle it holds."""

    touched: tuple[slice, slice]
    share: Any
    held: tuple[slice, slice]


def _drawn_cells(target: Target, hw: tuple[int, int], g: float) -> list[_Drawn]:
    """Lay the cells out in (H, W) fine pixels, ``g`` per mm; a cell begins and ends at whole parts of a pixel."""
    drawn = []
    for box in target.box_mm:
        touched, held, shares = [], [], []
        for start, length, most in ((box[1], box[3], hw[0]), (box[0], box[2], hw[1])):
            first, last = (int(np.clip(round(v * g * _FINE), 0, most * _FINE)) for v in (start, start + length))
            parts = np.zeros(-(-last // _FINE) * _FINE)
            parts[first:last] = 1 / _FINE
            touched.append(slice(first // _FINE, -(-last // _FINE)))
            held.append(slice((first + _FINE // 2 - 1) // _FINE, (last + _FINE // 2 - 1) // _FINE))
            shares.append(parts.reshape(-1, _FINE).sum(axis=1)[first // _FINE :])
        share = np.multiply.outer(*shares)[..., None].astype(np.float32)
        drawn.append(_Drawn((touched[0], touched[1]), share, (held[0], held[1])))
    return drawn


def _drawn(cells: Sequence[_Drawn], colours: Any, hw: tuple[int, int]) -> Any:
    """Draw the sheet, (H, W, 3) float32: the first colour is the field's, the others are the cells'."""
    out = np.empty((*hw, 3), np.float32)
    out[:] = colours[0]
    for cell, colour in zip(cells, colours[1:], strict=True):
        out[cell.touched] = cell.share * colour + (1 - cell.share) * out[cell.touched]
    return out


def _seen(flat: FlatImage, lit: Light, cells: Sequence[_Drawn], target: Target, hw: tuple[int, int]) -> tuple[Any, Any]:
    """Linear signal in fine pixels, each tone in the light that the camera's curve gives it, and where it is usable.

    Reflections are left in: whether a place is light or missing dye is asked of what is left.
    """
    how = cv2.INTER_AREA if flat.rgb.shape[1] >= hw[1] else cv2.INTER_LINEAR
    rgb: Any = cv2.resize(flat.rgb, hw[::-1], interpolation=how)
    bad: Any = cv2.resize(((flat.clipped & 1) | ~flat.inside).astype(np.float32), hw[::-1], interpolation=how)
    mean = lit.e_map.reshape(-1, 3).mean(axis=0)
    veil: Any = np.array([*(lit.veil * mean), 0.0])
    lifted: Any = cv2.subtract(cv2.patchNaNs(rgb), veil)
    centre = target.box_mm[:, :2] + target.box_mm[:, 2:] / 2
    rows = np.clip((centre[:, 1] / lit.step_mm).astype(int), 0, lit.e_map.shape[0] - 1)
    cols = np.clip((centre[:, 0] / lit.step_mm).astype(int), 0, lit.e_map.shape[1] - 1)
    own = (lit.e_map[rows, cols] / np.maximum(lit.e_cell, 1e-6)).astype(np.float32)
    for cell, gain in zip(cells, own, strict=True):
        lifted[cell.held] *= gain
    return lifted, bad < 0.01


def _cell_variance(
    cells: Sequence[_Drawn],
    error: Floats,
    due: Floats,
    weight: Any,
    fill: Array,
    b: int,
    hw: tuple[int, int],
) -> Array:
    """Variance of a block's logarithm from how well its colours' aims are known, (r, c, 3)."""
    off = np.vstack([np.zeros(3), error / np.maximum(due, 1e-3)]).astype(np.float32)
    return means_in_blocks(_drawn(cells, off, hw), weight, fill, b) ** 2


def _light_doubt(target: Target, places: Array, photos: Sequence[WorkedPhoto]) -> tuple[Array, Array]:
    """Smooth terms of the light that its anchors leave open, and their covariance."""
    half = max(target.size_mm) / 2
    u = (places - np.array(target.size_mm) / 2) / half
    basis = polynomial_terms(u[..., 0], u[..., 1], _LIGHT_DEGREE)[..., 1:]
    std = float(np.median([np.nanmedian(p.field_std) for p in photos])) / np.sqrt(len(photos))
    spread = basis.reshape(-1, basis.shape[-1]).std(axis=0)
    return basis, np.diag((std / np.maximum(spread, 0.1)) ** 2 / basis.shape[-1])
