"""The proof: the picture as designed beside how it will look on the piece, as one picture file."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from ..colour.reach import REACH_DE00
from ..flows.prepare import Prepared
from ..ground.files import whole
from .say import items


def proof_picture(p: Prepared) -> Any:
    """(H, W, 3) uint8 sRGB: the picture as designed at the left, as it will look on the piece at the right.

    Raises
    ------
    ValueError
        There is no proof: it needs a profile.
    """
    from PIL import Image, ImageDraw, ImageFont

    if p.proof is None or p.reach is None:
        raise ValueError("a proof needs a profile")
    heads = items("proof_heads")
    ground, ink, soft = (232, 230, 225), (32, 48, 58), (85, 98, 107)
    h, w = p.original.shape[:2]
    gap, edge = max(24, w // 30), max(32, w // 24)
    size = max(15, min(30, w // 34))
    big: Any = ImageFont.load_default(size=size * 1.15)
    small: Any = ImageFont.load_default(size=size)
    head = round(2.3 * size)
    width = 2 * w + gap + 2 * edge
    lines = items("prepare_proof", p, REACH_DE00)
    lines = [part for line in lines for part in _wrapped(line, small, width - 2 * edge)]
    foot = round((1.45 * len(lines) + 1.0) * size)
    sheet = Image.new("RGB", (width, h + 2 * edge + head + foot - edge // 2), ground)
    pen = ImageDraw.Draw(sheet)
    for x, title, pixels in ((edge, heads[0], p.original), (edge + w + gap, heads[1], p.proof)):
        pen.text((x, edge // 2 + 0.5 * size), title, fill=ink, font=big)
        panel = Image.fromarray(np.ascontiguousarray(pixels))
        if p.shape == "round":
            mask = Image.new("L", (4 * w, 4 * h), 0)
            ImageDraw.Draw(mask).ellipse((0, 0, 4 * w - 1, 4 * h - 1), fill=255)
            sheet.paste(panel, (x, edge + head - size), mask.resize((w, h), Image.Resampling.LANCZOS))
        else:
            sheet.paste(panel, (x, edge + head - size))
    top = edge + head - size + h + round(0.8 * size)
    for k, line in enumerate(lines):
        pen.text((edge, top + 1.45 * k * size), line, fill=ink if k == 0 else soft, font=small)
    return np.asarray(sheet)


def _wrapped(text: str, font: Any, width: float) -> list[str]:
    """Break a line to a width in pixels."""
    lines: list[str] = []
    for word in text.split():
        if lines and font.getlength(f"{lines[-1]} {word}") <= width:
            lines[-1] += f" {word}"
        else:
            lines.append(word)
    return lines


def write_proof(p: Prepared, path: str | Path) -> None:
    """Write the proof as PNG, marked as sRGB, whole or not at all."""
    from PIL import Image, ImageCms, PngImagePlugin

    info = PngImagePlugin.PngInfo()
    info.add_text("Description", "soft proof: as designed, as it will print")
    srgb = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    picture = Image.fromarray(proof_picture(p))
    with whole(path, ".png") as temporary:
        picture.save(temporary, format="PNG", icc_profile=srgb, pnginfo=info)
