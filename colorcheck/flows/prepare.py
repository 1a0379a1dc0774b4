"""Artwork → print-ready device colours at true size, through a printer profile or curves, and what to expect of it.

``prepare`` is the whole flow: read the picture with the profile it carries, lay it onto the piece with its bleed,
convert it, mirror it by the mirror rule; then say, from the same profile, how the piece will look and which colours
the substrate cannot reach. It returns numbers and pictures; words are made in `preparereport`.
"""

from __future__ import annotations

import math
import os
import warnings
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np

from ..colour.cms import (
    Intent,
    PrinterProfile,
    is_usable_source,
    picture_lab,
    printed_lab,
    profile_name,
    to_device,
    to_srgb,
)
from ..colour.tonecorrect import apply_curves, neutral_curves
from ..ground.cielab import black_point_compensate, delta_e00, lab_to_xyz, linear_to_srgb, xyz_to_lab
from ..ground.errors import UsageError
from ..ground.records import Bytes, Floats, Shape, View
from ..ground.units import MM_PER_INCH
from ..photo.decode import decode
from ..photo.picturekind import picture_kind
from ..piece.artwork import Artwork, load_artwork
from ..sheet.draw import size_px

Correction = Literal["full", "grey", "tone"]

FINE_PPI = 200.0  # common practice, no source: 200 to 300 pixels per inch
LEAST_PPI = 40.0  # a pixel of 0.6 mm: no picture any more
REACH_DE00 = 2.0  # a colour this far off is seen by most people; a profile's own rounding stays well below
SIZE_MM = (15.0, 1500.0)
DPI = (72, 1200)
MAX_MARGIN_MM = 30.0
_MAX_PIXELS = 120_000_000
_LOOK_PX = 1000  # longest side of the pictures to look at
_MAP_PIXELS = 60_000
_SAMPLE = 10_000  # pixels over which the corrections are compared
_CELL = (10.0, 14.0, 14.0)  # CIELAB boxes in which unreachable colours are gathered
_WORST = 8


@dataclass(frozen=True, slots=True)
class Missed:
    """Colours of one kind that the substrate cannot reach: share of the piece, what was due and what comes."""

    share: float
    due_lab: tuple[float, float, float]
    printed_lab: tuple[float, float, float]
    delta_e00: float


@dataclass(frozen=True, slots=True, eq=False)
class Reach:
    """How near the substrate comes to the picture, its black brought to the one that can be reached.

    ``delta_e00`` (r, c) float32, NaN off the piece, as its owner sees it. ``share`` of the piece beyond
    `REACH_DE00`, ``mean`` and ``p95`` over the whole piece, ``worst`` the largest groups beyond it.
    ``black_lab`` the blackest of the substrate, ``asks_black`` whether the picture holds darker colours.
    """

    delta_e00: Any
    share: float
    mean: float
    p95: float
    worst: tuple[Missed, ...]
    black_lab: tuple[float, float, float]
    asks_black: bool


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


# ---------------------------------------------------------------- the picture as stored


@dataclass(frozen=True, slots=True, eq=False)
class _Source:
    """Codes as stored, upright, and the profile they belong to (None: sRGB)."""

    image: Any  # Pillow, RGB or L
    profile: bytes | None
    name: str
    assumed: bool
    notes: tuple[str, ...] = ()


def _stored_heic(path: str | os.PathLike[str]) -> tuple[Any, bytes] | None:
    """Open HEIC in 8 bits, upright already, with its profile; None without the extra library."""
    try:
        import pillow_heif
    except ImportError:
        return None
    image: Any = pillow_heif.open_heif(os.fspath(path), convert_hdr_to_8bit=True).to_pillow()
    return (image, image.info.get("icc_profile") or b"") if image.mode == "RGB" else None


def _stored(path: str | os.PathLike[str]) -> tuple[Any, bytes, bool] | None:
    """Open an 8-bit picture without conversion: image, embedded profile, and whether it says that it is sRGB."""
    from PIL import Image, ImageOps

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            with open(path, "rb") as file:
                start = file.read(64)
            if picture_kind(start, "") == "heic":
                heic = _stored_heic(path)
                return None if heic is None else (*heic, False)
            with Image.open(path) as opened:
                profile = opened.info.get("icc_profile") or b""
                told = "srgb" in opened.info or opened.getexif().get_ifd(0x8769).get(0xA001) == 1
                if opened.mode not in ("1", "L", "LA", "P", "PA", "RGB", "RGBA"):
                    return None
                image: Any = ImageOps.exif_transpose(opened)
                clear = image.mode in ("LA", "PA", "RGBA") or "transparency" in image.info
                if clear:
                    image = image.convert("RGBA")
                    white = Image.new("RGBA", image.size, (255, 255, 255, 255))
                    image = Image.alpha_composite(white, image).convert("RGB")
                elif image.mode != "RGB":
                    image = image.convert("L" if image.mode in ("1", "L") else "RGB")
                image.load()
    except Exception:  # decode() has the last word on what can be read
        return None
    return image, profile, told


def _source(path: str | os.PathLike[str], art: Artwork) -> _Source:
    """Take the codes as stored with their own profile; where that cannot be, the decoded picture in sRGB."""
    from PIL import Image

    converted = any(n.startswith("artwork converted from") for n in art.notes)
    stored = _stored(path)
    if stored is not None and stored[0].size == art.file_size_px:
        image, profile, told = stored
        if profile and is_usable_source(profile, image.mode):
            return _Source(image, profile, profile_name(profile), False)
        if profile and is_usable_source(profile, "L"):  # a grey profile on a picture whose transparency was laid out
            return _Source(image.convert("L"), profile, profile_name(profile), False)
        if not converted:
            notes = ("the profile in the file cannot be used",) if profile else ()
            return _Source(image.convert("RGB"), None, "sRGB", not told or bool(profile), notes)
    linear = decode(path, max_pixels=40_000_000)
    codes: Any = np.empty(linear.rgb.shape, np.uint8)
    cut = 0
    for top in range(0, len(codes), 256):
        part = linear.rgb[top : top + 256]
        cut += int(((part < -0.02) | (part > 1.02)).any(axis=-1).sum())
        codes[top : top + 256] = np.rint(linear_to_srgb(np.clip(part, 0.0, 1.0)) * 255.0)
    share = cut / (codes.shape[0] * codes.shape[1])
    lost = (f"{100 * share:.0f} % of the picture lies outside sRGB and was cut to it",) if share >= 0.005 else ()
    return _Source(Image.fromarray(codes), None, linear.colour_space, "assumed" in linear.colour_space, lost)


# ---------------------------------------------------------------- onto the piece


def _place(image: Any, art: Artwork, size_px_: tuple[int, int], bleed_mm: float) -> tuple[Any, float, float]:
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


def _inside(shape: tuple[int, ...], kind: Shape, reach: tuple[float, float] = (1.0, 1.0)) -> Any:
    """Mask of the piece on a picture of so many rows and columns; ``reach`` its half axes as shares of the halves."""
    rows, cols = shape[:2]
    if kind == "rect":
        return np.ones((rows, cols), bool)
    y = ((np.arange(rows) + 0.5) / rows * 2 - 1) / reach[1]
    x = ((np.arange(cols) + 0.5) / cols * 2 - 1) / reach[0]
    return y[:, None] ** 2 + x[None, :] ** 2 <= 1.0


def _piece_only(codes: Any, size_mm: tuple[float, float], bleed_mm: float) -> Any:
    """Cut the bleed off, by pixels."""
    x = round(bleed_mm * codes.shape[1] / (size_mm[0] + 2 * bleed_mm))
    y = round(bleed_mm * codes.shape[0] / (size_mm[1] + 2 * bleed_mm))
    return codes[y : codes.shape[0] - y, x : codes.shape[1] - x]


def _smaller(codes: Any, factor: float) -> Any:
    """Reduce a picture by a factor at most 1, by areas."""
    import cv2

    if factor >= 1.0:
        return np.ascontiguousarray(codes)
    size = (max(1, round(codes.shape[1] * factor)), max(1, round(codes.shape[0] * factor)))
    return cv2.resize(np.ascontiguousarray(codes), size, interpolation=cv2.INTER_AREA)


# ---------------------------------------------------------------- what will come of it


def _blacks(source: bytes | None, grey: bool, profile: PrinterProfile) -> tuple[float, Floats]:
    """L* of the picture's own black, and CIELAB (3,) of what the profile prints for black."""
    black = np.zeros((1, 1) if grey else (1, 1, 3), np.uint8)
    own = float(picture_lab(black, source)[0, 0, 0])
    printed = printed_lab(profile, to_device(np.zeros((1, 1, 3), np.uint8), None, profile, intent="relative")[0])
    return max(own, 0.0), printed[0]


def _aims(lab: Floats, own_black: float, printed_black: Floats) -> Floats:
    """Black-point compensated aim of colours (…, 3): neutral blacks at both ends, as ISO 18619:2015 has it."""
    black, source = (lab_to_xyz(np.array([v, 0.0, 0.0])) for v in (float(printed_black[0]), own_black))
    return np.asarray(xyz_to_lab(black_point_compensate(lab_to_xyz(lab), black, source_black_xyz=source)))


def _worst(aim: Floats, printed: Floats, delta: Floats, pixels: int) -> tuple[Missed, ...]:
    """Gather unreachable colours in boxes of CIELAB; the largest by share × ΔE00 first."""
    if not len(aim):
        return ()
    boxes = np.floor(aim / _CELL).astype(int)
    _, group = np.unique(boxes, axis=0, return_inverse=True)
    group = group.ravel()
    count = np.bincount(group)
    means = [np.stack([np.bincount(group, v[:, c]) / count for c in range(3)], axis=-1) for v in (aim, printed)]
    total = np.bincount(group, delta)
    rows = []
    for k in np.argsort(-total)[:_WORST]:
        due, comes = (tuple(float(x) for x in m[k]) for m in means)
        rows.append(Missed(float(count[k] / pixels), due, comes, float(total[k] / count[k])))  # type: ignore[arg-type]
    return tuple(rows)


def _reach(codes: Any, source: _Source, profile: PrinterProfile, shape: Shape) -> Reach:
    """Distance of every place from its aim when printed media-relative, the nearest a printer comes."""
    small = _smaller(codes, math.sqrt(_MAP_PIXELS / (codes.shape[0] * codes.shape[1])))
    inside = _inside(small.shape, shape)
    own_black, black = _blacks(source.profile, small.ndim == 2, profile)
    asked = picture_lab(small, source.profile)[inside]
    aim = _aims(asked, own_black, black)
    device = to_device(small, source.profile, profile, intent="relative")[inside]
    printed = printed_lab(profile, device)
    delta = np.asarray(delta_e00(printed, aim))
    picture = np.full(inside.shape, np.nan, np.float32)
    picture[inside] = delta
    far = delta > REACH_DE00
    return Reach(
        delta_e00=picture,
        share=float(far.mean()),
        mean=float(delta.mean()),
        p95=float(np.percentile(delta, 95)),
        worst=_worst(aim[far], printed[far], delta[far], len(delta)),
        black_lab=(float(black[0]), float(black[1]), float(black[2])),
        asks_black=bool(np.percentile(asked[:, 0], 0.5) < float(black[0]) - 1.0),
    )


def _expected(codes: Any, source: _Source, profile: PrinterProfile, shape: Shape) -> dict[str, float]:
    """Mean ΔE00 from the aim over the piece, for every step of correction."""
    small = _smaller(codes, math.sqrt(_SAMPLE / (codes.shape[0] * codes.shape[1])))
    inside = _inside(small.shape, shape)
    own_black, black = _blacks(source.profile, small.ndim == 2, profile)
    aim = _aims(picture_lab(small, source.profile)[inside], own_black, black)
    srgb = to_srgb(small, source.profile)[inside]
    device = {"none": srgb}
    for step in ("tone", "grey"):
        device[step] = apply_curves(srgb, neutral_curves(lambda v: printed_lab(profile, v), step=step))
    device["full"] = to_device(small, source.profile, profile, intent="relative")[inside]
    return {k: float(np.mean(delta_e00(printed_lab(profile, v), aim))) for k, v in device.items()}


# ---------------------------------------------------------------- the flow


def _check(
    size_mm: tuple[float, float],
    shape: Shape,
    dpi: int,
    margins: dict[str, float],
    profile: PrinterProfile | None,
    curves: Floats | None,
) -> None:
    """Refuse what makes no sense before anything slow is done."""
    w, h = size_mm
    if not all(SIZE_MM[0] <= v <= SIZE_MM[1] for v in size_mm):
        raise UsageError(
            f"a piece of {w:g} × {h:g} mm makes no sense", f"give {SIZE_MM[0]:g} to {SIZE_MM[1]:g} mm on each side"
        )
    if shape == "round" and abs(w - h) > 0.05:
        raise UsageError(f"a round piece has one diameter, not {w:g} × {h:g} mm", "give --size once, such as 200mm")
    if not DPI[0] <= dpi <= DPI[1]:
        raise UsageError(f"{dpi} dots per inch make no sense", f"give --dpi {DPI[0]} to {DPI[1]}, usually 300")
    for name, value in margins.items():
        if not 0 <= value <= MAX_MARGIN_MM:
            raise UsageError(f"a {name} of {value:g} mm makes no sense", f"give 0 to {MAX_MARGIN_MM:g} mm")
    pixels = size_px((w + 2 * sum(margins.values()), h + 2 * sum(margins.values())), dpi)
    if pixels[0] * pixels[1] > _MAX_PIXELS:
        raise UsageError(f"{w:g} × {h:g} mm at {dpi} dots per inch is too large a picture", "give a lower --dpi")
    if (profile is None) == (curves is None):
        raise UsageError("give either a profile or curves", "--profile BOARD.icc, or --curves CURVES.json")


def prepare(
    path: str | os.PathLike[str],
    *,
    size_mm: tuple[float, float],
    profile: PrinterProfile | None = None,
    curves: Floats | None = None,
    curves_name: str = "",
    shape: Shape = "rect",
    view: View = "front",
    bleed_mm: float = 3.0,
    border_mm: float = 0.0,
    art_bleed_mm: float | None = None,
    intent: Intent = "relative",
    correction: Correction = "full",
    dpi: int = 300,
    coat_tint: bool = False,
    progress: Callable[[str], None] | None = None,
) -> Prepared:
    """Make artwork ready to print.

    Parameters
    ----------
    path : path
        The picture as its owner will see the piece, never mirrored.
    size_mm : (width, height)
        Of the piece.
    profile : PrinterProfile, optional
        Of printer, ink, paper and substrate. Either this or ``curves``.
    curves : (256, 3), optional
        Device code for every sRGB code of each channel, in place of a profile; ``curves_name`` is told to people.
    shape, view : as everywhere
        Looked at from the front, the print is mirrored.
    bleed_mm : float
        How far the print reaches beyond the piece. What the picture lacks of it is filled with its mirrored rim.
    border_mm : float
        White paper round the bleed, made part of the file.
    art_bleed_mm : float, optional
        How far the picture itself reaches beyond the piece; found out from its resolution or proportions if not
        given.
    intent : {'relative', 'perceptual', 'saturation'}
        With black-point compensation.
    correction : {'full', 'grey', 'tone'}
        With a profile: the whole of it, or only curves that follow from its neutral ramp.
    dpi : int
        Of the print file.
    coat_tint : bool
        Show the tint of the bare coat in the proof.
    progress : callable, optional
        Called with a few words before each step.

    Returns
    -------
    Prepared

    Raises
    ------
    UsageError
        Sizes that make no sense, a picture of other proportions, or far too coarse for the size.
    ImageError, FileError
        The picture cannot be read, is CMYK without a profile, or blank.

    Notes
    -----
    Colours are converted in 8 bits by LittleCMS from the profile in the file, or sRGB. TIFF of 16 bits, CMYK and
    camera raw go through sRGB.
    """
    say = progress or (lambda _: None)
    _check(size_mm, shape, dpi, {"bleed": bleed_mm, "border": border_mm}, profile, curves)
    say("reading the artwork")
    art = load_artwork(path, size_mm=size_mm, shape=shape, view=view, bleed_mm=art_bleed_mm)
    source = _source(path, art)
    ppi = min(n / mm * MM_PER_INCH for n, mm in zip(art.file_size_px, art.frame_mm, strict=True))
    if ppi < LEAST_PPI:
        raise UsageError(
            f"{art.source} gives only {ppi:.0f} pixels per inch at {size_mm[0]:g} × {size_mm[1]:g} mm",
            f"use a larger picture (at least {FINE_PPI:.0f}), or check --size",
        )
    printed_mm = (size_mm[0] + 2 * bleed_mm, size_mm[1] + 2 * bleed_mm)
    codes, filled, cropped = _place(source.image, art, size_px(printed_mm, dpi), bleed_mm)
    seen = _piece_only(codes, size_mm, bleed_mm)

    say("converting its colours")
    if profile is not None and correction == "full":
        device = to_device(codes, source.profile, profile, intent=intent)
    else:
        if profile is not None:
            step: Literal["tone", "grey"] = "tone" if correction == "tone" else "grey"
            curves = neutral_curves(lambda v: printed_lab(profile, v), step=step)
        assert curves is not None
        device = apply_curves(to_srgb(codes, source.profile), curves)
    device = np.array(device)
    device[~_inside(device.shape, shape)] = 255  # round: nothing is printed beyond the bleed

    original = to_srgb(_smaller(seen, min(1.0, _LOOK_PX / max(seen.shape[:2]))), source.profile)
    proof = reach = None
    notes: tuple[str, ...] = ()
    expected: dict[str, float] = {}
    if profile is not None:
        say("looking ahead at the print")
        printed = _piece_only(device, size_mm, bleed_mm)
        proof = to_srgb(
            _smaller(printed, min(1.0, _LOOK_PX / max(printed.shape[:2]))), profile.data, absolute=coat_tint
        )
        if coat_tint and int(to_srgb(np.full((1, 1, 3), 255, np.uint8), profile.data, absolute=True).min()) >= 254:
            notes = ("the profile does not know the true colour of the coat, so the proof shows it white",)
        reach = _reach(seen, source, profile, shape)
        expected = _expected(seen, source, profile, shape)
    mirrored = view == "front"
    picture = device[:, ::-1] if mirrored else device
    sheet_mm = (printed_mm[0] + 2 * border_mm, printed_mm[1] + 2 * border_mm)
    return Prepared(
        picture=_on_paper(np.ascontiguousarray(picture), size_px(sheet_mm, dpi)),
        size_mm=size_mm,
        sheet_mm=sheet_mm,
        bleed_mm=bleed_mm,
        border_mm=border_mm,
        dpi=dpi,
        shape=shape,
        view=view,
        mirrored=mirrored,
        intent=intent,
        correction=correction,
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
        proof_tinted=coat_tint,
        reach=reach,
        expected=expected,
        notes=(*(n for n in art.notes if _told(n)), *source.notes, *notes),
    )


def _told(note: str) -> bool:
    """Keep the notes of the reader that matter; what it says of sRGB, size and bleed is told by this flow itself."""
    return not note.startswith(("artwork converted", "artwork taken", "artwork of low", "the embedded colour profile"))


def _on_paper(picture: Bytes, size: tuple[int, int]) -> Bytes:
    """Put the print in the middle of a white sheet of (width, height) pixels."""
    if picture.shape[1::-1] == size:
        return picture
    sheet = np.full((size[1], size[0], 3), 255, np.uint8)
    x, y = (size[0] - picture.shape[1]) // 2, (size[1] - picture.shape[0]) // 2
    sheet[y : y + picture.shape[0], x : x + picture.shape[1]] = picture
    return sheet
