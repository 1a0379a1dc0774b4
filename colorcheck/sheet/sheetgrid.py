"""What lies where on a target, in pixels, and which of its cells can be used."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np

from ..ground.records import CellFlag, Cells, Mask, Target

RIM_MM = 1.5  # kept away from the rim of the piece
INKS = ("cyan", "magenta", "yellow")  # the dye that red, green and blue show


def fill_boxes(mask: Any, boxes: Any, q: float, grow_mm: float, value: int) -> None:
    """Fill boxes in mm, grown by ``grow_mm`` (shrunk when negative), in place."""
    for x, y, w, h in np.asarray(boxes, dtype=float).reshape(-1, 4):
        # a grown box takes every pixel it touches, a shrunk one only whole pixels
        out = np.floor if grow_mm >= 0 else np.ceil
        back = np.ceil if grow_mm >= 0 else np.floor
        c0, c1 = int(out((x - grow_mm) * q)), int(back((x + w + grow_mm) * q))
        r0, r1 = int(out((y - grow_mm) * q)), int(back((y + h + grow_mm) * q))
        if c1 > max(c0, 0) and r1 > max(r0, 0):
            mask[max(r0, 0) : r1, max(c0, 0) : c1] = value


def outline(target: Target, shape: tuple[int, int], q: float, rim_mm: float) -> Any:
    """Where the piece is, without its rim, (H, W) uint8."""
    ok = np.zeros(shape, np.uint8)
    w, h = target.size_mm
    if target.shape == "rect":
        r = int(np.ceil(rim_mm * q))
        ok[r : shape[0] - r, r : shape[1] - r] = 1
    else:
        cv2.circle(ok, (round(w * q / 2), round(h * q / 2)), int((w / 2 - rim_mm) * q), 1, -1)
    return ok


def usable(cells: Cells) -> Mask:
    """Cells (n,) that are neither clipped, hidden nor under glare."""
    bad = CellFlag.CLIPPED | CellFlag.HIDDEN | CellFlag.GLARE
    return np.asarray((cells.flags & int(bad)) == 0)
