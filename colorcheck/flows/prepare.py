"""The flow of `prepare`, top to bottom: artwork → print-ready device colours at true size, and what to expect of it.

Read the picture with the profile it carries, lay it onto the piece with its bleed, convert it, mirror it by the mirror
rule; then say, from the same profile, how the piece will look and which colours the substrate cannot reach.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np

from ..colour.cms import (
    Intent,
    PrinterProfile,
    check_profile_light,
    load_printer_profile,
    printed_lab,
    to_device,
    to_srgb,
)
from ..colour.reach import Reach, expected_errors, inside_piece, picture_reach, smaller
from ..colour.storedcolours import stored_colours
from ..colour.tonecorrect import apply_curves, load_curves, neutral_curves
from ..ground import reader
from ..ground.errors import UsageError
from ..ground.records import Bytes, Floats, Lit, Shape, View
from ..ground.units import MM_PER_INCH
from ..piece.artwork import load_artwork
from ..piece.ontopiece import lay_on_piece, on_paper, piece_only
from ..sheet.draw import size_px
from .requests import Correction, PrepareRequest

FINE_PPI = 200.0  # common practice, no source: 200 to 300 pixels per inch
LEAST_PPI = 40.0  # a pixel of 0.6 mm: no picture any more
_MAX_PIXELS = 120_000_000
_LOOK_PX = 1000  # longest side of the pictures to look at


@dataclass(frozen=True, slots=True, eq=False)
class Prepared:
    """A picture ready to print, and what will come of it.

    ``picture`` (H, W, 3) uint8 device RGB of ``sheet_mm``: the piece, ``bleed_mm`` and ``border_mm`` of white paper
    on every side, mirrored where ``mirrored``. ``original`` and ``proof`` (h, w, 3) uint8 sRGB show the piece as its
    owner sees it; ``proof`` and ``reach`` are None without a profile. ``expected`` mean ΔE00 from the aim over
    the picture, by correction ('none', 'tone', 'grey', 'full'). ``ppi`` of the file on the piece; ``art_bleed_mm``
    what the file had beyond the piece, ``filled_mm`` how much bleed was made from its mirrored rim, ``cropped`` share
    of its longer side cut to fit the proportions. ``source_space`` names the colours of the file, ``assumed`` if
    nothing in it did.
    """

    picture: Bytes
    size_mm: tuple[float, float]
    sheet_mm: tuple[float, float]
    bleed_mm: float
    border_mm: float
    dpi: int
    shape: Shape
    view: View
    mirrored: bool
    view_told: bool
    lit: Lit
    intent: Intent
    correction: Correction
    curves: Floats | None
    curves_name: str
    profile: PrinterProfile | None
    artwork: str
    artwork_sha256: str
    file_px: tuple[int, int]
    ppi: float
    art_bleed_mm: float
    art_bleed_known: bool
    filled_mm: float
    cropped: float
    source_space: str
    assumed: bool
    original: Bytes
    proof: Bytes | None
    proof_tinted: bool
    reach: Reach | None
    expected: dict[str, float]
    notes: tuple[str, ...]


def prepare(request: PrepareRequest, *, progress: Callable[[str], None] | None = None) -> Prepared:
    """Make artwork ready to print.

    Parameters
    ----------
    request : PrepareRequest
    progress : callable, optional
        Called with a few words before each step.

    Returns
    -------
    Prepared

    Raises
    ------
    UsageError
        A picture of other proportions, far too coarse for the size, or too large to be made.
    ImageError, FileError, DataError
        A file cannot be read; the picture is CMYK without a profile, or blank.

    Notes
    -----
    Colours are converted in 8 bits by LittleCMS from the profile in the file, or sRGB. TIFF of 16 bits, CMYK and
    camera raw go through sRGB.
    """
    say = progress or (lambda _: None)
    size_mm, shape, view, dpi = request.size_mm, request.shape, request.view, request.dpi
    bleed_mm, border_mm = request.bleed_mm, request.border_mm
    printed_mm = (size_mm[0] + 2 * bleed_mm, size_mm[1] + 2 * bleed_mm)
    sheet_mm = (printed_mm[0] + 2 * border_mm, printed_mm[1] + 2 * border_mm)
    if int(np.prod(size_px(sheet_mm, dpi))) > _MAX_PIXELS:
        raise UsageError(
            f"{reader.size(size_mm)} at {dpi} dots per inch is too large a picture", f"lower {reader.option('dpi')}"
        )
    profile, curves, curves_name = None, None, ""
    if request.profile:
        profile = load_printer_profile(request.profile)
        check_profile_light(profile.data, profile.file, request.lit)
    elif request.curves:
        curves, curves_name, _ = load_curves(request.curves)
    say("reading the artwork")
    art = load_artwork(request.artwork, size_mm=size_mm, shape=shape, view=view, bleed_mm=request.art_bleed_mm)
    converted = any(n.startswith("artwork converted from") for n in art.notes)
    source = stored_colours(request.artwork, size_px=art.file_size_px, converted=converted)
    ppi = min(n / mm * MM_PER_INCH for n, mm in zip(art.file_size_px, art.frame_mm, strict=True))
    if ppi < LEAST_PPI:
        raise UsageError(
            f"{art.source} gives only {ppi:.0f} pixels per inch at {reader.size(size_mm)}",
            f"use a larger picture (at least {FINE_PPI:.0f}), or check {reader.option('size')}",
        )
    codes, filled, cropped = lay_on_piece(source.image, art, size_px(printed_mm, dpi), bleed_mm)
    seen = piece_only(codes, size_mm, bleed_mm)

    say("converting its colours")
    if profile is not None and request.correction == "full":
        device = to_device(codes, source.profile, profile, intent=request.intent)
    else:
        if profile is not None:
            step: Literal["tone", "grey"] = "tone" if request.correction == "tone" else "grey"
            curves = neutral_curves(lambda v: printed_lab(profile, v), step=step)
        device = to_srgb(codes, source.profile)
        if curves is not None:
            device = apply_curves(device, curves)
    device = np.array(device)
    device[~inside_piece(device.shape, shape)] = 255  # round: nothing is printed beyond the bleed

    original = to_srgb(smaller(seen, min(1.0, _LOOK_PX / max(seen.shape[:2]))), source.profile)
    proof = reach = None
    notes: tuple[str, ...] = ()
    expected: dict[str, float] = {}
    if profile is not None:
        say("looking ahead at the print")
        printed = piece_only(device, size_mm, bleed_mm)
        proof = to_srgb(
            smaller(printed, min(1.0, _LOOK_PX / max(printed.shape[:2]))), profile.data, absolute=request.coat_tint
        )
        if (
            request.coat_tint
            and int(to_srgb(np.full((1, 1, 3), 255, np.uint8), profile.data, absolute=True).min()) >= 254
        ):
            notes = ("the profile does not know the true colour of the coat, so the proof shows it white",)
        if profile.view and profile.view != view:
            side = "through the glass" if profile.view == "through" else "straight at the coat"
            notes += (f"the profile comes from a target that is looked at {side}, and this piece is not",)
        reach = picture_reach(seen, source, profile, shape)
        expected = expected_errors(seen, source, profile, shape)
    mirrored = view == "front"
    picture = device[:, ::-1] if mirrored else device
    return Prepared(
        picture=on_paper(np.ascontiguousarray(picture), size_px(sheet_mm, dpi)),
        size_mm=size_mm,
        sheet_mm=sheet_mm,
        bleed_mm=bleed_mm,
        border_mm=border_mm,
        dpi=dpi,
        shape=shape,
        view=view,
        mirrored=mirrored,
        view_told=request.view_told,
        lit=request.lit,
        intent=request.intent,
        correction=request.correction,
        curves=curves,
        curves_name=curves_name,
        profile=profile,
        artwork=art.source,
        artwork_sha256=art.sha256,
        file_px=art.file_size_px,
        ppi=ppi,
        art_bleed_mm=art.bleed_mm,
        art_bleed_known=art.bleed_known,
        filled_mm=filled,
        cropped=cropped,
        source_space=source.name,
        assumed=source.assumed,
        original=original,
        proof=proof,
        proof_tinted=request.coat_tint,
        reach=reach,
        expected=expected,
        notes=(*(n for n in art.notes if _told(n)), *source.notes, *notes),
    )


def _told(note: str) -> bool:
    """Keep the notes of the reader that matter; what it says of sRGB, size and bleed is told by this flow itself."""
    return not note.startswith(("artwork converted", "artwork taken", "artwork of low", "the embedded colour profile"))
