"""A picture laid onto the piece with its bleed, and the print onto its sheet of paper."""

from __future__ import annotations

from typing import Any

import numpy as np

from ..ground.records import Bytes
from .artwork import Artwork


def lay_on_piece(image: Any, art: Artwork, size_px_: tuple[int, int], bleed_mm: float) -> tuple[Any, float, float]:
    """Codes of piece and bleed, (H, W[, 3]); how much bleed had to be made up, mm; share cut for the proportions."""
    import cv2
    from PIL import Image

    w, h = art.size_mm
    keep = min(art.bleed_mm, bleed_mm)
    part_mm = (w + 2 * keep, h + 2 * keep)
    per_mm = min(image.size[0] / art.frame_mm[0], image.size[1] / art.frame_mm[1])  # no stretching: what is over is cut
    cropped = 1.0 - per_mm / max(image.size[0] / art.frame_mm[0], image.size[1] / art.frame_mm[1])
    half = (part_mm[0] * per_mm / 2, part_mm[1] * per_mm / 2)
    middle = (image.size[0] / 2, image.size[1] / 2)
    box = (middle[0] - half[0], middle[1] - half[1], middle[0] + half[0], middle[1] + half[1])
    box = (max(0.0, box[0]), max(0.0, box[1]), min(image.size[0], box[2]), min(image.size[1], box[3]))
    missing = bleed_mm - keep
    out = (
        size_px_[0] - 2 * round(missing * size_px_[0] / (w + 2 * bleed_mm)),
        size_px_[1] - 2 * round(missing * size_px_[1] / (h + 2 * bleed_mm)),
    )
    whole = max(abs(b - round(b)) for b in box) < 1e-6 and (box[2] - box[0], box[3] - box[1]) == out
    if whole:
        codes: Any = np.asarray(image)[round(box[1]) : round(box[3]), round(box[0]) : round(box[2])]
    else:
        finer = box[2] - box[0] >= out[0]
        how = Image.Resampling.LANCZOS if finer else Image.Resampling.BICUBIC
        codes = np.asarray(image.resize(out, how, box=box))
    x, y = (size_px_[0] - codes.shape[1]) // 2, (size_px_[1] - codes.shape[0]) // 2
    if x or y or codes.shape[:2] != size_px_[::-1]:
        codes = cv2.copyMakeBorder(
            np.ascontiguousarray(codes),
            *(y, size_px_[1] - codes.shape[0] - y, x, size_px_[0] - codes.shape[1] - x),
            cv2.BORDER_REFLECT,
        )
    return codes, missing, cropped


def piece_only(codes: Any, size_mm: tuple[float, float], bleed_mm: float) -> Any:
    """Cut the bleed off, by pixels."""
    x = round(bleed_mm * codes.shape[1] / (size_mm[0] + 2 * bleed_mm))
    y = round(bleed_mm * codes.shape[0] / (size_mm[1] + 2 * bleed_mm))
    return codes[y : codes.shape[0] - y, x : codes.shape[1] - x]


def on_paper(picture: Bytes, size: tuple[int, int]) -> Bytes:
    """Put the print in the middle of a white sheet of (width, height) pixels."""
    if picture.shape[1::-1] == size:
        return picture
    sheet = np.full((size[1], size[0], 3), 255, np.uint8)
    x, y = (size[0] - picture.shape[1]) // 2, (size[1] - picture.shape[0]) // 2
    sheet[y : y + picture.shape[0], x : x + picture.shape[1]] = picture
    return sheet
