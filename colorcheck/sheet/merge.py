"""Several photos of one piece → one set of cells and one field, by inverse variance."""

from __future__ import annotations

from typing import Any

import numpy as np

from ..ground.cielab import delta_e00, density_from_y, linear_srgb_to_xyz
from ..ground.records import CellFlag, Cells, Floats
from ..ground.relative import relative_lab

_UNFIT = int(CellFlag.CLIPPED | CellFlag.HIDDEN)
_SHADY = _UNFIT | int(CellFlag.GLARE)
_OUTLIER = 5.0  # between-photo standard deviations


def merge_cells(photos: tuple[Cells, ...]) -> Cells:
    """Combine the cells of several photos; a photo that disagrees at one cell is left out there.

    Parameters
    ----------
    photos : tuple of Cells
        The same cells in the same order.

    Returns
    -------
    Cells
        ``u_noise`` shrinks with the number of photos, but never below what their spread
        says; ``u_system`` is common to all and stays.
    """
    if len(photos) == 1:
        return photos[0]
    labs = np.stack([p.lab for p in photos])
    u = np.stack([np.maximum(p.u_noise, 0.05) for p in photos])
    flags = np.stack([p.flags for p in photos])
    rgb = np.stack([p.rgb_rel for p in photos])
    weight = 1 / u**2
    shady = np.asarray((flags & _SHADY) > 0)
    some_good = np.asarray(~shady.all(axis=0))
    weight = np.where(shady & some_good[None], 0.0, weight)
    middle = np.stack([np.median(labs[:, k][weight[:, k] > 0], axis=0) for k in range(labs.shape[1])])
    off = delta_e00(labs, middle[None])
    typical = max(float(np.median(off[weight > 0])), 0.1)
    dropped = (off > _OUTLIER * np.maximum(typical, u)) & (weight > 0) & ((weight > 0).sum(axis=0) >= 3)[None]
    weight = np.where(dropped, 0.0, weight)
    total = weight.sum(axis=0)
    mean = (rgb * weight[..., None]).sum(axis=0) / total[:, None]
    lab = relative_lab(mean)
    n = (weight > 0).sum(axis=0)
    spread2 = (weight * delta_e00(labs, lab[None]) ** 2).sum(axis=0) / total
    between = np.where(n > 1, spread2 / np.maximum(n - 1, 1), 0.0)
    # the spread at one cell is poorly known from few photos: pool it over all cells of one photo set
    pooled = float(np.median(between[n > 1])) if (n > 1).any() else 0.0
    u_noise = np.sqrt(np.maximum(1 / total, 0.5 * (between + pooled)))
    kept = np.where(weight > 0, flags, 0)
    joined = np.bitwise_or.reduce(np.where(some_good[None], kept, flags), axis=0)
    joined = joined | np.where(np.asarray(dropped.any(axis=0)), int(CellFlag.DROPPED_PHOTO), 0)
    u_system = np.sqrt(np.mean([p.u_system**2 for p in photos], axis=0))
    y = linear_srgb_to_xyz(mean)[:, 1]
    return Cells(
        rgb_rel=mean,
        lab=lab,
        lab_absolute=None,
        density=density_from_y(np.maximum(y, 1e-5), 1.0),
        u_noise=u_noise,
        u_system=u_system,
        uncertainty=np.hypot(u_noise, u_system),
        flags=joined,
        centre_px=photos[0].centre_px,
        photos=len(photos),
    )


def merge_fields(
    fields: list[Floats], weights: list[Floats], stds: list[Floats], glares: list[Any]
) -> tuple[Floats, Floats, Floats, Any]:
    """Average the light-free fields of several photos where each is free of glare.

    Each array is (r, c[, 3]); returns field, weight, light_std, glare (only where every
    photo has some).
    """
    if len(fields) == 1:
        return fields[0], weights[0], stds[0], glares[0]
    f, w, s, g = np.stack(fields), np.stack(weights), np.stack(stds), np.stack(glares)
    everywhere = np.asarray(g.all(axis=0))
    good = np.isfinite(f[..., 0]) & ~(g & ~everywhere[None])
    use = np.where(good, np.maximum(w, 1e-9) / np.maximum(s, 1e-4) ** 2, 0.0)
    total = use.sum(axis=0)
    with np.errstate(invalid="ignore", divide="ignore"):
        field = np.where(
            (total > 0)[..., None], (np.nan_to_num(f) * use[..., None]).sum(axis=0) / total[..., None], np.nan
        )
        std = np.sqrt(np.where(total > 0, ((use * s) ** 2).sum(axis=0) / total**2, np.nanmax(s)))
    return field, np.where(good, w, 0).sum(axis=0), std, everywhere
