"""How wide the printed edges are, with lens and pixels in it."""

from __future__ import annotations

import cv2
import numpy as np

from ..ground.records import CellKind, FlatImage, Floats, Target


def edge_width(target: Target, flat: FlatImage) -> float:
    """10–90 % width of the edges between anchors and field, mm, median over the sheet."""
    g = flat.px_per_mm
    anchors = target.box_mm[(target.kind == CellKind.WHITE) | (target.kind == CellKind.BLACK)]
    anchors = anchors[:: max(1, len(anchors) // 16)]
    gap = target.pitch_mm - target.cell_mm
    t = np.arange(-min(2.0, 0.4 * target.cell_mm), 0.8 * gap, 0.25 / g)
    along = np.linspace(-0.25, 0.25, 15)
    u, v = np.meshgrid(t, along, indexing="ij")  # outwards from the edge, and along it in cell widths
    xs, ys = [], []
    for x, y, w, h in anchors:
        xs += [x + w + u, x - u, x + w / 2 + v * w, x + w / 2 + v * w]
        ys += [y + h / 2 + v * h, y + h / 2 + v * h, y + h + u, y - u]
    if not xs:
        return float("nan")
    px, py = (np.concatenate(k) * g - 0.5 for k in (xs, ys))
    lines = (
        cv2.remap(
            flat.rgb[..., 1],
            px.astype(np.float32),
            py.astype(np.float32),
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_REPLICATE,
        )
        .mean(axis=1)
        .reshape(-1, len(t))
    )
    widths = [k for k in (_ten_ninety(t, line) for line in lines) if k is not None]
    return float(np.median(widths)) if len(widths) >= 4 else float("nan")


def _ten_ninety(t: Floats, line: Floats) -> float | None:
    """Width between 10 and 90 % of one step, or None when it is no clean step."""
    k = max(3, len(t) // 6)
    a, b = float(np.median(line[:k])), float(np.median(line[-k:]))
    if abs(a - b) < 0.02:
        return None
    s = (line - a) / (b - a)
    half = int(np.argmin(np.abs(s - 0.5)))
    low = np.nonzero(s[: half + 1] <= 0.1)[0]
    high = np.nonzero(s[half:] >= 0.9)[0]
    if not len(low) or not len(high):
        return None
    i, j = int(low[-1]), half + int(high[0])
    if i + 1 >= len(s) or j < 1 or s[i + 1] == s[i] or s[j] == s[j - 1]:
        return None
    t10 = t[i] + (0.1 - s[i]) / (s[i + 1] - s[i]) * (t[i + 1] - t[i])
    t90 = t[j - 1] + (0.9 - s[j - 1]) / (s[j] - s[j - 1]) * (t[j] - t[j - 1])
    return float(t90 - t10)
