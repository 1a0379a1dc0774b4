"""A finished piece's colours against what a reading or a profile says they should be."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..ground.cielab import delta_e00
from ..ground.relative import relative_lab
from ..ground.residue import Residue
from .blocks import Answer


@dataclass(frozen=True, slots=True, eq=False)
class ColourCell:
    """One of the artwork's colours: expected by reading or profile, and seen, in CIELAB relative to the coat."""

    device_rgb: tuple[float, ...]
    area_share: float
    due_lab: tuple[float, ...]
    seen_lab: tuple[float, ...]
    delta_e00: float


def colour_error(
    res: Residue, answer: Answer | None
) -> tuple[tuple[ColourCell, ...], float | None, float | None, float | None]:
    """Compare what the artwork's colours became against a reading or profile, free of spots and light."""
    if answer is None or res.coat == "guess":
        return (), None, None, None
    cells: list[ColourCell] = []
    quiet = res.inside & (res.texture < 1.0)
    group = np.where(quiet, res.group, -1)
    number = int(group.max()) + 1
    count = np.bincount(group[group >= 0], minlength=number)
    left = np.where(np.isfinite(res.left), res.left, 0.0)
    seen = res.rel * np.exp(np.median(left, axis=0) if len(left) > 1 else left[0])
    deltas, shares, ups = [], [], []
    for k in np.argsort(-count)[:60]:
        if count[k] < 3:
            break
        here = group == k
        device = res.device[here].mean(axis=0)
        due = np.asarray(answer(device[None]), dtype=float)[0]
        got = np.median(seen[here], axis=0)
        lab0, lab1 = relative_lab(np.clip(due, 1e-4, 1.2)), relative_lab(np.clip(got, 1e-4, 1.2))
        de = float(delta_e00(lab1, lab0))
        share = float(count[k] / max(quiet.sum(), 1))
        depth = -np.log(np.clip(due, 0.02, 1.0)).mean()
        if depth > 0.2:
            ups.append((share, -np.log(np.clip(got, 0.02, 1.0)).mean() / depth))
        deltas.append(de)
        shares.append(share)
        cells.append(
            ColourCell(
                device_rgb=tuple(float(round(v, 1)) for v in device),
                area_share=share,
                due_lab=tuple(float(round(v, 2)) for v in lab0),
                seen_lab=tuple(float(round(v, 2)) for v in lab1),
                delta_e00=round(de, 2),
            )
        )
    if not cells:
        return (), None, None, None
    uptake = float(np.average([u for _, u in ups], weights=[s for s, _ in ups])) if ups else None
    return tuple(cells), float(np.average(deltas, weights=shares)), float(np.percentile(deltas, 95)), uptake
