"""Judged pieces of a batch as lines of the file of results, and as small pictures."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import cv2
import numpy as np

from ..flows.batchline import Told, refused
from ..ground.errors import ColorcheckError
from ..ground.files import StrPath
from ..ground.jsontext import rounded
from ..photo.decode import decode
from . import figures as fig
from . import inspectwords as iw
from . import pictures as pic
from .resultfiles import inspection_to_dict
from .svg import free_places

if TYPE_CHECKING:
    from ..flows.pieces import JudgedPhoto, JudgedPiece

_PICTURE_PX = 240


def tell_photo(photo: JudgedPhoto) -> Told:
    """Turn a judged photo into its lines, with a small picture of each piece and of the whole, numbered."""
    lines = [_line(photo, p) for p in photo.pieces]
    return Told(tuple(lines), tuple(_picture(photo, p) for p in photo.pieces), _overview(photo))


def _line(photo: JudgedPhoto, p: JudgedPiece) -> dict[str, Any]:
    """One line of the file of results: what `inspect` writes, and which piece of which photo it is about."""
    line = refused(photo.photo, photo.sha256, p.problem)
    line |= {
        "piece": p.piece,
        "pieces": len(photo.pieces),
        "centre_px": rounded(list(p.centre_px), 1),
        "outline_px": rounded(np.asarray(p.outline_px)[::6].tolist(), 0),
        "artwork": p.artwork or None,
        "alike": list(p.alike),
    }
    if p.inspection is None:
        return line
    told = inspection_to_dict(p.inspection)
    told["photos"][0]["piece_in_photo"] = rounded(p.in_photo)
    del told["schema"], told["artwork"]
    return {**line, **told, "error": None}


def _picture(photo: JudgedPhoto, p: JudgedPiece) -> str:
    if p.inspection is not None:
        return pic.jpeg_uri(fig.small_piece(p.inspection, iw.counted_findings(p.inspection), _PICTURE_PX), quality=75)
    scale = photo.small.shape[1] / photo.full_px[0]
    px = np.asarray(p.outline_px) * scale
    if not len(px):
        return ""
    (x0, y0), (x1, y1) = np.maximum(px.min(axis=0) - 4, 0).astype(int), (px.max(axis=0) + 5).astype(int)
    part = photo.small[y0:y1, x0:x1]
    return pic.jpeg_uri(pic.photo_pixels(part, _white(photo.small))) if part.size else ""


def picture_again(path: StrPath, line: dict[str, Any]) -> str:
    """Cut a piece's small picture out of its photo, for lines of an earlier run; '' where that cannot be."""
    if not line.get("outline_px"):
        return ""
    try:
        image = decode(path, max_pixels=1_600_000)
    except ColorcheckError:
        return ""
    px = np.asarray(line["outline_px"], float) * image.scale
    (x0, y0), (x1, y1) = np.maximum(px.min(axis=0), 0).astype(int), px.max(axis=0).astype(int) + 1
    part = image.rgb[y0:y1, x0:x1]
    if image.sha256 != line["sha256"] or not part.size:
        return ""
    return pic.jpeg_uri(pic.photo_pixels(part, _white(image.rgb[::4, ::4]), longest=_PICTURE_PX), quality=75)


def _white(rgb: Any) -> Any:
    return np.full(3, max(float(np.percentile(rgb, 99)), 1e-3))


def _overview(photo: JudgedPhoto) -> str:
    """Draw the photo with each piece's rim and number."""
    picture = np.ascontiguousarray(pic.photo_pixels(photo.small, _white(photo.small)))
    tall, wide = picture.shape[:2]
    scale = wide / photo.full_px[0]
    middles = [(p.centre_px[0] * scale, p.centre_px[1] * scale) for p in photo.pieces]
    places, r = free_places(middles, 11.0, (0.0, 0.0, wide, tall))
    for p, (x, y) in zip(photo.pieces, places, strict=True):
        rim = np.round(np.asarray(p.outline_px) * scale).astype(np.int32)
        if len(rim):
            cv2.polylines(picture, [rim], True, (255, 255, 255), 3, cv2.LINE_AA)
            cv2.polylines(picture, [rim], True, (17, 17, 17), 1, cv2.LINE_AA)
        at = (round(x), round(y))
        cv2.circle(picture, at, round(r), (17, 17, 17), -1, cv2.LINE_AA)
        (w, h), _ = cv2.getTextSize(str(p.piece), cv2.FONT_HERSHEY_SIMPLEX, 0.45, 1)
        place = (at[0] - w // 2, at[1] + h // 2)
        cv2.putText(picture, str(p.piece), place, cv2.FONT_HERSHEY_SIMPLEX, 0.45, (255, 255, 255), 1, cv2.LINE_AA)
    return pic.jpeg_uri(picture, quality=75)
