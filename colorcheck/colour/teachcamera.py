"""A camera taught by photos of a measured target: values matched to cells, photos weighed against each other."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from ..ground.cielab import delta_e00, xyz_to_lab
from ..ground.errors import DataError
from ..ground.records import CellFlag, CellKind, Floats, LinearImage, Mask, PhotoResult, Target
from ..ground.relative import relative_lab
from ..photo.camera import MIN_COLOURS, OTHER_LIGHT, CameraModel, apply_camera, compare_light, fit_camera
from ..photo.card import CardSignal, card_signal, coat_of, join
from ..photo.lighting import fit_light, light_at
from ..sheet.exchange import Measurements

UNFIT = int(CellFlag.CLIPPED | CellFlag.HIDDEN | CellFlag.GLARE | CellFlag.UNEVEN)
_SAME_COLOUR = 3.0  # device steps by which RGB in the measured file may differ from the layout
_SAME_HUE = 0.6  # correlation of a* and of b* between photo and file; cameras of all kinds reach 0.9
APART = 0.9  # mean ΔE00 beyond noise by which one photo's cells may differ from the others'; like light gives 0.1–0.4


def card_of(image: LinearImage, result: PhotoResult, target: Target) -> CardSignal:
    """Look for the white card round the piece.

    Parameters
    ----------
    image : LinearImage
        As decoded; it is flipped here where the pose says so.
    """
    if result.pose.mirrored:
        image = replace(
            image,
            rgb=np.ascontiguousarray(image.rgb[:, ::-1]),
            clipped=np.ascontiguousarray(image.clipped[:, ::-1]),
        )
    white = (target.kind == CellKind.WHITE) & ((result.cells.flags & UNFIT) == 0)
    if white.sum() < 4:
        return CardSignal(np.full(3, np.nan), np.inf, False, "uneven", np.zeros(0))
    fit = fit_light(target.centres_mm[white], result.light.e_cell[white], target.size_mm)
    return card_signal(image, result.pose, target, lambda mm: light_at(fit, mm)[0])


def match(target: Target, measured: Measurements, name: str) -> tuple[Floats, Mask]:
    """Bring measured values into the order of the target's cells.

    Returns
    -------
    xyz (n, 3), known (n,)
        NaN where a cell was not measured.

    Raises
    ------
    DataError
        The file is of another target, or holds too few of its cells.
    """
    places = {i.strip().casefold(): k for k, i in enumerate(target.ids)}
    rows = [(places.get(i.strip().casefold()), k) for k, i in enumerate(measured.ids)]
    hits = [(cell, row) for cell, row in rows if cell is not None]
    if len(hits) < min(len(rows), len(target.ids)) * 0.5:
        raise DataError(
            f"only {len(hits)} of {len(rows)} SAMPLE_IDs in {name} are cells of {target.name}",
            "give the values measured on this very target, with its cell names as SAMPLE_ID",
        )
    cells, at = np.array([c for c, _ in hits]), np.array([r for _, r in hits])
    if measured.device_rgb is not None:
        off = np.abs(measured.device_rgb[at] - target.device_rgb[cells]).max(axis=1)
        if (off > _SAME_COLOUR).mean() > 0.05:
            percent = np.abs(2.55 * measured.device_rgb[at] - target.device_rgb[cells]).max(axis=1)
            if (percent > _SAME_COLOUR).mean() <= 0.05:
                raise DataError(f"{name} gives RGB from 0 to 100", "give it from 0 to 255, as sent to the printer")
            worst = int(np.argmax(off))
            raise DataError(
                f"{name} belongs to another target: RGB of {measured.ids[at[worst]]} is not that of {target.name}",
                "give the values measured on this very target",
            )
    xyz = np.full((len(target.ids), 3), np.nan)
    xyz[cells] = measured.xyz[at]
    known = np.isfinite(xyz).all(axis=1)
    colours = len(np.unique(target.device_rgb[known], axis=0))
    if colours < MIN_COLOURS:
        raise DataError(
            f"{name} holds {colours} colours of {target.name}, {MIN_COLOURS} are needed", "measure more cells"
        )
    if not (known & (target.kind == CellKind.WHITE)).any():
        raise DataError(f"{name} holds no white cell of {target.name}", "measure at least one: it is the bare coat")
    return xyz, known


def _check_order(target: Target, seen: Floats, xyz: Floats, usable: Mask, name: str) -> None:
    """Refuse measured values that do not go up and down with what the photo shows."""
    white_cells = np.tile(target.kind == CellKind.WHITE, len(seen) // len(target.ids))
    a, b = seen[usable].mean(axis=1), xyz[usable, 1]
    ra, rb = np.argsort(np.argsort(a)).astype(float), np.argsort(np.argsort(b)).astype(float)
    if len(a) < 3 or np.corrcoef(ra, rb)[0, 1] < 0.9:
        raise DataError(
            f"the values in {name} do not go with the photo of {target.name}",
            "check that they were measured on this piece and that rows and columns are in order",
        )
    # a camera's matrix could turn any hue into any other, so swapped or negated columns would go through
    white = np.median(xyz[usable & white_cells], axis=0) if (usable & white_cells).any() else xyz[usable].max(axis=0)
    photo, file = relative_lab(np.maximum(seen[usable], 1e-4)), xyz_to_lab(xyz[usable] / white, np.ones(3))
    for k, column in ((1, "a*"), (2, "b*")):
        if np.std(photo[:, k]) > 3.0 and not np.corrcoef(photo[:, k], file[:, k])[0, 1] > _SAME_HUE:
            raise DataError(
                f"{column} in {name} does not go with the colours in the photo of {target.name}",
                "check for swapped columns or a wrong sign",
            )


def fit_together(
    target: Target, results: Sequence[PhotoResult], cards: Sequence[CardSignal], xyz: Floats, known: Mask, name: str
) -> CameraModel:
    """Fit one camera to the cells of several photos, each with its own coat's signal."""
    white_xyz = np.median(xyz[known & (target.kind == CellKind.WHITE)], axis=0)
    rgb = np.concatenate([r.cells.rgb_rel for r in results])
    usable = np.concatenate([known & ((r.cells.flags & UNFIT) == 0) for r in results])
    every = np.tile(xyz, (len(results), 1))
    _check_order(target, rgb, every, usable, name)
    return fit_camera(
        rgb,
        np.concatenate([r.cells.u_noise for r in results]),
        usable,
        np.tile(target.device_rgb, (len(results), 1)),
        every,
        white_xyz,
        np.repeat([coat_of(r.light) for r in results], len(target.ids), axis=0),
        card_rgb=join(cards),
    )


def disagreement(model: CameraModel, results: Sequence[PhotoResult], usable: Sequence[Mask]) -> Floats:
    """Say how far each photo of one piece is from the others, as the camera that all made together sees them.

    Parameters
    ----------
    model : CameraModel
    results : photos of the same piece
    usable : of each, which cells count, (n,) bool

    Returns
    -------
    (photos,)
        Mean ΔE00 from the middle of the other photos, what noise explains taken off in squares; at least what
        a change of the bare coat's raw colour counts for (`OTHER_LIGHT` gives the limit).
    """
    labs = np.stack([xyz_to_lab(apply_camera(model, r.cells.rgb_rel, coat_rgb=coat_of(r.light)).xyz) for r in results])
    labs = np.where(np.stack(usable)[..., None], labs, np.nan)
    coats = np.stack([coat_of(r.light) for r in results])
    out = np.zeros(len(results))
    for k, one in enumerate(results):
        others = np.delete(np.arange(len(results)), k)
        both = np.isfinite(labs[k, :, 0]) & np.isfinite(labs[others, :, 0]).any(axis=0)
        away = delta_e00(labs[k, both], np.nanmedian(labs[others][:, both], axis=0))
        noise = one.cells.u_noise[both] ** 2 * (1.0 + 1.0 / len(others))
        out[k] = np.sqrt(max(float(away.mean() ** 2 - noise.mean()), 0.0))
        usual = np.exp(np.median(np.log(coats[others]), axis=0))
        change = compare_light(replace(model, coat_rgb=usual), coats[k])
        raw = max(abs(np.log(change.red)), abs(np.log(change.blue)))
        out[k] = max(out[k], APART * float(raw) / OTHER_LIGHT)
    return out
