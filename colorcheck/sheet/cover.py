"""Something lies on the sheet: cells there do not stand out from the field."""

from __future__ import annotations

from typing import Any

import numpy as np

from ..ground.records import CellSamples, FieldSamples, Target
from ..ground.response import fit_response, predict


def find_covered(target: Target, samples: CellSamples, field: FieldSamples) -> tuple[Any, Any]:
    """Find cells (n,) and field blocks (r, c) that something lies on: the cells there do not stand out.

    A light, a spot or a ghost changes cells and field; only a cover makes them alike.
    """
    xy = target.centres_mm
    step = field.step_mm
    have = np.isfinite(field.rgb[..., 0])
    every = max(1, round(0.35 * target.pitch_mm / step))
    rows, cols = np.nonzero(have)
    some = (rows % every == 0) & (cols % every == 0) if every > 1 else np.ones(len(rows), bool)
    rows, cols = rows[some], cols[some]
    places = np.stack([(cols + 0.5) * step, (rows + 0.5) * step], axis=1)
    values = field.rgb[rows, cols]
    d2 = ((xy[:, None, :] - places[None, :, :]) ** 2).sum(axis=2)
    near = np.exp(-d2 / (2 * (0.6 * target.pitch_mm) ** 2))
    around = (near @ values) / np.maximum(near.sum(axis=1), 1e-9)[:, None]
    # what each cell usually does against the field: its own device colour, by the whole sheet
    model = fit_response(target.device_rgb, np.maximum(samples.rgb, 0) / np.maximum(around, 1e-6))
    due = np.cbrt(np.maximum(predict(model, target.device_rgb), 0)) - 1.0
    ratio = np.cbrt(np.maximum(samples.rgb, 0) / np.maximum(around, 1e-6)) - 1.0
    strength = (due**2).sum(axis=1)
    share = (ratio * due).sum(axis=1) / np.maximum(strength, 1e-6)
    telling = strength > 0.12
    lost = telling & (share < 0.3)
    # one odd cell is a misprint; a cover takes neighbours too
    close = ((xy[:, None, :] - xy[None, :, :]) ** 2).sum(axis=2) < (1.6 * target.pitch_mm) ** 2
    lost &= (close & lost[None, :] & telling[None, :]).sum(axis=1) >= np.maximum(
        0.5 * (close & telling[None, :]).sum(axis=1), 2
    )
    reach = 1.5 * target.pitch_mm
    covered = np.zeros(len(xy), bool)
    block = np.zeros(have.shape, bool)
    if lost.any():
        yy, xx = np.mgrid[0 : have.shape[0], 0 : have.shape[1]]
        for x, y in xy[lost]:
            covered |= np.hypot(xy[:, 0] - x, xy[:, 1] - y) < reach
            block |= np.hypot((xx + 0.5) * step - x, (yy + 0.5) * step - y) < 1.3 * reach
    return covered, block
