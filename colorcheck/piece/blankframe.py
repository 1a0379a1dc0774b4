"""The blank frame: a white sheet in the piece's place, which shows the light alone."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any, cast

import cv2
import numpy as np

from ..ground.errors import DataError
from ..ground.records import FlatImage, Floats, LinearImage
from ..photo.camera import without_tone
from ..photo.decode import decode
from .flatpiece import lay_piece, on_card
from .register import Registered


def blank_frame(
    path: str | Path,
    like: LinearImage,
    reg: Registered,
    flat: FlatImage,
    ring: Any,
    size_mm: tuple[float, float],
    *,
    tone: Floats | None = None,
) -> Any:
    """Lay the blank frame flat by the piece's pose, after checking that it can serve; ``tone`` as for `without_tone`.

    Raises
    ------
    DataError
        Another size or exposure, or there is something in it.
    """
    image = decode(path, max_pixels=like.rgb.shape[0] * like.rgb.shape[1])
    if tone is not None:
        image = without_tone(image, tone)
    if image.original_size != like.original_size or image.rgb.shape != like.rgb.shape:
        raise DataError(
            f"{image.source} has another size than {like.source}",
            "shoot the white sheet with the same camera right after the piece, nothing moved",
        )
    rgb = np.ascontiguousarray(image.rgb[:, ::-1]) if reg.pose.mirrored else image.rgb
    frame = lay_piece(replace(image, rgb=rgb), reg.pose, size_mm, flat.px_per_mm)
    y = frame.rgb.mean(axis=2)
    small = cv2.resize(y, None, fx=4 / flat.px_per_mm / 4, fy=4 / flat.px_per_mm / 4, interpolation=cv2.INTER_AREA)
    level = np.log(np.maximum(small, 1e-4))
    rows, cols = np.mgrid[-1 : 1 : level.shape[0] * 1j, -1 : 1 : level.shape[1] * 1j]
    terms = np.stack([np.ones_like(rows), rows, cols, rows**2, cols**2, rows * cols], axis=-1).reshape(-1, 6)
    fit = np.linalg.lstsq(terms, level.ravel().astype(float), rcond=None)[0]
    left = level.ravel() - terms @ fit
    if float(np.percentile(np.abs(left), 97)) > 0.12:
        raise DataError(
            f"{image.source} is no blank frame: there is something in it",
            "lay a plain white sheet in the piece's place and shoot it with lamp and camera unmoved",
        )
    if ((frame.clipped & 1) > 0).mean() > 0.02:
        raise DataError(f"{image.source} is overexposed", "lock the exposure so that white stays below full scale")
    seconds = (like.exposure.get("exposure_time"), image.exposure.get("exposure_time"))
    other = all(seconds) and abs(float(np.log(cast("float", seconds[1]) / cast("float", seconds[0])))) > 0.1
    if ring.any():
        ratio = frame.rgb[ring].mean() / max(float(flat.rgb[ring].mean()), 1e-4)
        other = other or (on_card(flat, ring, size_mm) and abs(float(np.log(ratio))) > 0.25)
    if other:
        raise DataError(
            f"{image.source} has another exposure than {like.source}",
            "lock the exposure and shoot both one after the other",
        )
    return frame.rgb
