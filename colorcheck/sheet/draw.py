"""A target becomes a print file: pixels first, then png, tiff or pdf at true size.

Every edge goes to the nearest whole pixel, so cells, markers and code are crisp. No ICC
profile is embedded: the numbers are meant to reach the printer as they stand.
"""

from __future__ import annotations

import io
import math
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from ..ground.errors import UsageError
from ..ground.files import whole
from ..ground.records import Bytes, Target

if TYPE_CHECKING:
    from PIL import Image, ImageDraw, ImageFont

Box = tuple[float, float, float, float]

MM_PER_INCH = 25.4
FORMATS = (".png", ".tif", ".tiff", ".pdf")
PAPERS_MM = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}  # ISO 216; ANSI Y14.1 size A

# The line group, all in mm. An upright cross stands alone in bare coat, so that a second,
# faint copy of it shows; two blocks of bars and gaps of one width each, growing, lie below.
CROSS_WIDTH_MM = 0.5
CROSS_END_MM = 1.2  # bare coat between the ends of the cross and the edge of the group
CROSS_CLEAR_MM = 5.0  # wanted on either side and above
BAR_WIDTHS_MM = (0.15, 0.2, 0.3, 0.4, 0.5)  # each bar is followed by a gap as wide as itself
BAR_BLOCK_MM = sum(BAR_WIDTHS_MM) + sum(BAR_WIDTHS_MM[:-1])
BAR_EDGE_MM = 0.9  # bare coat between the bars and the edge of the group

_MARK_MM = (1.8, 3.2)  # distance from the edge and size of the mark at the top left
_CODE_QUIET = 4  # modules, ISO/IEC 18004
_WHITE, _BLACK = 255, 0
_LARGE = 24_000_000  # samples of a picture
_TIFF_PREDICTOR = 317


# ---------------------------------------------------------------- geometry


def _edge(mm: float, per_mm: float) -> int:
    """Nearest pixel edge to a place in mm."""
    return math.floor(mm * per_mm + 0.5 + 1e-9)


def size_px(size_mm: tuple[float, float], dpi: float) -> tuple[int, int]:
    """Width and height in pixels of a size in mm."""
    return round(size_mm[0] * dpi / MM_PER_INCH), round(size_mm[1] * dpi / MM_PER_INCH)


def line_group(target: Target) -> list[Box]:
    """Black bars of the line group, in mm on the piece as it is viewed.

    The first two are the cross (upright stroke, then level stroke); then follow the upright
    bars (block at the left, measures across) and the level bars (block at the right), each
    from the finest to the widest in `BAR_WIDTHS_MM`. On paper, edges lie on the nearest
    printer pixel, so at 300 dpi a bar of 0.15 mm is one or two pixels wide.

    Returns
    -------
    list of (x, y, w, h)
        Empty when the target has no line group.
    """
    x, y, w, h = target.lines_box_mm
    if not w:
        return []
    clear_h = h - BAR_EDGE_MM - BAR_BLOCK_MM  # height left above the bars
    level = max(clear_h / 2, min(CROSS_CLEAR_MM, clear_h - 2.0))
    half = CROSS_WIDTH_MM / 2
    bars: list[Box] = [
        (x + w / 2 - half, y + CROSS_END_MM, CROSS_WIDTH_MM, clear_h - 2 * CROSS_END_MM),
        (x + CROSS_END_MM, y + level - half, w - 2 * CROSS_END_MM, CROSS_WIDTH_MM),
    ]
    top = y + clear_h
    left, right = x + w / 2 - 1.0 - BAR_BLOCK_MM, x + w / 2 + 1.0
    at = np.concatenate([[0.0], np.cumsum(2 * np.array(BAR_WIDTHS_MM))])[:-1].tolist()
    bars += [(left + a, top, b, BAR_BLOCK_MM) for a, b in zip(at, BAR_WIDTHS_MM, strict=True)]
    bars += [(right, top + a, BAR_BLOCK_MM, b) for a, b in zip(at, BAR_WIDTHS_MM, strict=True)]
    return bars


def _fill(image: Bytes, box: Box, per_mm: float, rgb: Any) -> None:
    """Fill a box given in mm; never less than one pixel wide."""
    x0, y0 = _edge(box[0], per_mm), _edge(box[1], per_mm)
    x1, y1 = _edge(box[0] + box[2], per_mm), _edge(box[1] + box[3], per_mm)
    image[max(y0, 0) : max(y1, y0 + 1), max(x0, 0) : max(x1, x0 + 1)] = rgb


def _fill_modules(image: Bytes, box: Box, per_mm: float, dark: Any) -> None:
    """Draw a square grid of dark and white modules, every module edge on a whole pixel."""
    n = len(dark)
    xs = [_edge(box[0] + box[2] * k / n, per_mm) for k in range(n + 1)]
    ys = [_edge(box[1] + box[3] * k / n, per_mm) for k in range(n + 1)]
    grid = np.where(np.asarray(dark, dtype=bool), _BLACK, _WHITE).astype(np.uint8)
    grid = np.repeat(np.repeat(grid, np.diff(ys), axis=0), np.diff(xs), axis=1)
    image[ys[0] : ys[-1], xs[0] : xs[-1]] = grid[:, :, None]


def _disc(image: Bytes, centre: tuple[float, float], radius: float, rgb: tuple[int, int, int]) -> None:
    """Fill a disc (pixels), row by row: pixels whose centre lies inside."""
    for row in range(image.shape[0]):
        reach = radius**2 - (row + 0.5 - centre[1]) ** 2
        if reach > 0:
            half = math.sqrt(reach)
            a, b = math.ceil(centre[0] - half - 0.5), math.floor(centre[0] + half - 0.5)
            image[row, max(a, 0) : b + 1] = rgb


# ---------------------------------------------------------------- text


def _font(height_mm: float, per_mm: float) -> ImageFont.FreeTypeFont:
    """Pillow's own TrueType face at a size in mm."""
    from PIL import ImageFont

    return ImageFont.load_default(size=max(4.0, height_mm * per_mm))  # type: ignore[return-value]


def _width_mm(text: str, height_mm: float, per_mm: float) -> float:
    """Width of a line of text; letters sit on whole pixels, so it depends on the resolution too."""
    return float(_font(height_mm, per_mm).getlength(text)) / per_mm


@contextmanager
def _pen(image: Bytes, box: Box, per_mm: float) -> Iterator[tuple[ImageDraw.ImageDraw, int, int]]:
    """Lend a drawing pen on the part of an image inside a box in mm, and its origin in pixels."""
    from PIL import Image, ImageDraw

    height, width = image.shape[:2]
    x0, y0 = max(_edge(box[0], per_mm), 0), max(_edge(box[1], per_mm), 0)
    x1 = min(_edge(box[0] + box[2], per_mm), width)
    y1 = min(_edge(box[1] + box[3], per_mm), height)
    part = Image.fromarray(image[y0:y1, x0:x1].copy())
    yield ImageDraw.Draw(part), x0, y0
    image[y0:y1, x0:x1] = np.asarray(part)


def _facts(target: Target) -> tuple[list[str], list[str]]:
    """Lines of type, longest wording first: which sheet this is, and what to keep fixed."""
    w, h = target.size_mm
    size = f"{w:g} mm round" if target.shape == "round" else f"{w:g} x {h:g} mm"
    short = "front" if target.view == "front" else "through"
    seen = "seen from the front" if target.view == "front" else "seen through the glass"
    sheet = [
        f"{size}   {target.patches}   seed {target.seed}   {seen}",
        f"{size}  {target.patches}  seed {target.seed}  {short}",
        f"{size}  {target.patches}  {target.seed}  {short}",
        f"{size}  seed {target.seed}  {short}",
        f"{size}  seed {target.seed}",
        f"seed {target.seed}  {short}",
    ]
    keep = [
        "keep fixed: paper, ink, driver quality, colour settings off or as usual",
        "keep fixed: paper, ink, driver, colour settings",
        "keep fixed: paper, ink, driver",
    ]
    return sheet, keep


_BLANKS = ("°C", "seconds", "pressure", "date", "blank")
_BLANKS_SHORT = ("°C", "s", "press.", "date", "blank")
_TYPE_MM = (1.9, 3.4)  # smallest and largest type
_LEADING = 1.15  # line pitch over type size
_WRITE_PITCH = 1.3  # a row to write in is this much higher than a line of type
_PAD_MM = 0.4


@dataclass(frozen=True, slots=True)
class _Strip:
    """Chosen contents of the text strip: lines of type with their sizes, rows of labels, line pitch."""

    lines: tuple[tuple[str, float], ...]
    rows: tuple[tuple[str, ...], ...]
    label_mm: float
    pitch_mm: float


def _fit(
    wordings: Sequence[str], width: float, size: float, per_mm: float, *, shrink: float = 0.8
) -> tuple[str, float] | None:
    """Take the longest wording that fits, rather a little smaller than a shorter one."""
    for text in wordings:
        for smaller in (s for s in (1.0, 0.95, 0.9, 0.85, 0.8) if s >= shrink):
            if smaller * size >= _TYPE_MM[0] and _width_mm(text, smaller * size, per_mm) <= width:
                return text, smaller * size
    return None


def _write_width(labels: Sequence[str], width: float, size: float, per_mm: float) -> float:
    """Room in mm left to write in after each label of a row."""
    return (width - sum(_width_mm(v, size, per_mm) + 1.6 for v in labels) + 1.0) / len(labels)


def _strip_plan(target: Target, per_mm: float) -> _Strip | None:
    """Choose what the text strip says: all of it, or less where it is narrow."""
    width, height = target.strip_box_mm[2] - 2 * _PAD_MM, target.strip_box_mm[3] - 2 * _PAD_MM
    sheet, keep = _facts(target)
    full, short = _BLANKS, _BLANKS_SHORT
    for rows, with_keep, room in (
        ((full,), True, 11.0),
        ((full[:3], full[3:]), True, 9.0),
        ((short[:3], short[3:]), True, 8.0),
        ((full,), False, 8.0),
        ((short,), False, 8.0),
        ((short[:3], short[3:]), False, 6.0),
        ((short[:3],), False, 5.0),
        ((short[:2],), False, 5.0),
        ((), False, 0.0),
    ):
        pitch = height / (1 + with_keep + _WRITE_PITCH * len(rows))
        size = min(_TYPE_MM[1], pitch / _LEADING)
        label = min(3.0, 1.1 * size)
        lines = [_fit(v, width, size, per_mm) for v in ((sheet, keep) if with_keep else (sheet,))]
        writable = all(_write_width(r, width, label, per_mm) >= room for r in rows)
        if writable and None not in lines:
            return _Strip(tuple(v for v in lines if v is not None), rows, label, pitch)
    return None


def _draw_strip(image: Bytes, target: Target, per_mm: float) -> None:
    """Draw the text strip: dark type and writing lines on bare coat."""
    box = target.strip_box_mm
    if not box[2]:
        return
    _fill(image, box, per_mm, _WHITE)
    plan = _strip_plan(target, per_mm)
    if plan is None:
        return
    ink = (0, 0, 0)
    rule = max(1, round(0.15 * per_mm))
    top = box[1] + _PAD_MM
    with _pen(image, box, per_mm) as (pen, x0, y0):
        for text, size in plan.lines:
            base = _edge(top + 0.8 * plan.pitch_mm, per_mm) - y0
            at = (_edge(box[0] + _PAD_MM, per_mm) - x0, base)
            pen.text(at, text, fill=ink, font=_font(size, per_mm), anchor="ls")
            top += plan.pitch_mm
        font = _font(plan.label_mm, per_mm)
        for row in plan.rows:
            top += _WRITE_PITCH * plan.pitch_mm
            base = _edge(top - 0.22 * plan.pitch_mm, per_mm) - y0
            room = _write_width(row, box[2] - 2 * _PAD_MM, plan.label_mm, per_mm)
            x = box[0] + _PAD_MM
            for label in row:
                pen.text((_edge(x, per_mm) - x0, base), label, fill=ink, font=font, anchor="ls")
                x += _width_mm(label, plan.label_mm, per_mm) + 0.6
                ends = (_edge(x, per_mm) - x0, _edge(x + room, per_mm) - x0 - 1)
                pen.rectangle((ends[0], base, ends[1], base + rule - 1), fill=ink)
                x += room + 1.0


def _draw_foot(image: Bytes, target: Target, per_mm: float) -> None:
    """Write one small line in the lower edge zone of a blank too small for a strip."""
    w, h = target.size_mm
    mid = h - (3.4 if target.shape == "rect" else 4.6)
    wide = w - 14.0
    if target.shape == "round":
        drop = mid + 1.1 - h / 2
        wide = 2 * math.sqrt(max((h / 2 - 1.2) ** 2 - drop**2, 0.0))
    wordings = _facts(target)[0]
    fit = _fit(wordings, wide, 2.6, per_mm, shrink=0.9) or _fit(wordings, wide, 2.3, per_mm)
    if fit is None:
        return
    text, size = fit
    with _pen(image, (0.0, h - 6.0, w, 6.0), per_mm) as (pen, x0, y0):
        at = (_edge(w / 2, per_mm) - x0, _edge(mid + 0.36 * size, per_mm) - y0)
        pen.text(at, text, fill=(0, 0, 0), font=_font(size, per_mm), anchor="ms")


def _draw_mark(image: Bytes, target: Target, per_mm: float) -> None:
    """Draw the arrow that points up and left, and TOP beside it, in the outer edge zone."""
    off, size = _MARK_MM
    if target.shape == "rect":
        corners = [(off, off), (off + size, off), (off, off + size)]
        text_at, anchor = (off + size + 1.4, off + size), "ls"
    else:
        radius = target.size_mm[0] / 2
        d = math.sqrt(0.5)
        tip, foot, half = radius - 1.2, radius - 5.2, 1.4

        def at(r: float, across: float) -> tuple[float, float]:
            return radius - d * r + d * across, radius - d * r - d * across

        corners = [at(tip, 0.0), at(foot, half), at(foot, -half)]
        text_at, anchor = (radius, off + size), "ms"
    whole = (0.0, 0.0, target.size_mm[0], target.size_mm[1])
    with _pen(image, (*whole[:3], target.size_mm[1] / 2), per_mm) as (pen, _, _):
        pen.polygon([(round(x * per_mm), round(y * per_mm)) for x, y in corners], fill=(0, 0, 0))
        pen.text(
            (round(text_at[0] * per_mm), round(text_at[1] * per_mm)),
            "TOP",
            fill=(0, 0, 0),
            font=_font(3.6, per_mm),
            anchor=anchor,
        )


# ---------------------------------------------------------------- picture


def code_modules(text: str) -> list[list[bool]]:
    """Modules of the QR code (ISO/IEC 18004) with its quiet zone; level M, or better if it costs no room."""
    import segno

    code = segno.make_qr(text, error="m", boost_error=True)
    return [[bool(v) for v in row] for row in code.matrix_iter(scale=1, border=_CODE_QUIET)]


def marker_modules(marker_id: int) -> list[list[bool]]:
    """Modules of a marker, (8, 8), True where dark, with its dark rim."""
    import cv2

    words = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    picture = cv2.aruco.generateImageMarker(words, int(marker_id), 8, borderBits=1)
    return [[bool(v == 0) for v in row] for row in picture]


def render(target: Target, *, dpi: int | None = None) -> Bytes:
    """Draw a target as its owner views the pressed piece: not mirrored, without bleed.

    Parameters
    ----------
    target : Target
    dpi : int, optional
        Pixels per inch; the target's own by default.

    Returns
    -------
    ndarray of uint8, (H, W, 3)
        Device RGB 0–255; 255 is bare coat. H and W are the size in mm times dpi / 25.4, rounded.
    """
    return _draw(target, target.dpi if dpi is None else dpi, 0.0)


def _draw(target: Target, dpi: int, bleed_mm: float) -> Bytes:
    """Draw a target as viewed, its field continued ``bleed_mm`` beyond the piece on every side."""
    per_mm = dpi / MM_PER_INCH
    width, height = size_px(target.size_mm, dpi)
    sheet_w, sheet_h = size_px((target.size_mm[0] + 2 * bleed_mm, target.size_mm[1] + 2 * bleed_mm), dpi)
    left, top = _edge(bleed_mm, per_mm), _edge(bleed_mm, per_mm)
    sheet = np.full((sheet_h, sheet_w, 3), _WHITE, dtype=np.uint8)
    if target.shape == "round":
        centre = (left + target.size_mm[0] * per_mm / 2, top + target.size_mm[1] * per_mm / 2)
        _disc(sheet, centre, (target.size_mm[0] / 2 + bleed_mm) * per_mm, target.field_rgb)
    else:
        sheet[:] = target.field_rgb
    piece = sheet[top : top + height, left : left + width]  # a view: what is drawn here is on the sheet
    _draw_mark(piece, target, per_mm)
    if not target.strip_box_mm[2]:
        _draw_foot(piece, target, per_mm)
    for box, rgb in zip(target.box_mm.tolist(), target.device_rgb.tolist(), strict=True):
        _fill(piece, tuple(box), per_mm, rgb)
    for quiet in target.keep_out_mm[: len(target.marker_ids)].tolist():
        _fill(piece, tuple(quiet), per_mm, _WHITE)
    for marker_id, box in zip(target.marker_ids, target.marker_box_mm.tolist(), strict=True):
        _fill_modules(piece, tuple(box), per_mm, marker_modules(marker_id))
    if target.code_box_mm[2]:
        _fill_modules(piece, target.code_box_mm, per_mm, code_modules(target.code_text))
    if target.lines_box_mm[2]:
        _fill(piece, target.lines_box_mm, per_mm, _WHITE)
        for bar in line_group(target):
            _fill(piece, bar, per_mm, _BLACK)
    _draw_strip(piece, target, per_mm)
    return sheet


def print_picture(target: Target) -> Bytes:
    """Draw a target as it goes to the printer: with its bleed, and mirrored if it is to be.

    Returns
    -------
    ndarray of uint8, (H, W, 3)
    """
    picture = _draw(target, target.dpi, target.bleed_mm)
    return np.ascontiguousarray(picture[:, ::-1]) if target.mirrored else picture


# ---------------------------------------------------------------- files


def write_print_file(target: Target, path: str | Path) -> None:
    """Write the print file of a target: png, tiff or pdf by its suffix, at true size.

    The file carries no ICC profile on purpose: the values go to the printer as they are, and
    the workshop's usual driver settings do the rest. An existing file is replaced only when
    the new one is complete. On one installation the same target always
    gives the same bytes.

    Raises
    ------
    UsageError
        The suffix is none of png, tif, tiff, pdf.
    FileError
        The file cannot be written; what was there before stays.
    """
    write_picture(print_picture(target), path, dpi=target.dpi, size_mm=target.printed_mm, bleed_mm=target.bleed_mm)


def print_suffix(path: str | Path) -> str:
    """Suffix of a print file, in small letters; UsageError unless it is png, tif, tiff or pdf."""
    suffix = Path(path).suffix.lower()
    if suffix not in FORMATS:
        raise UsageError(f"a print file cannot be '{suffix or Path(path).name}': choose png, tiff or pdf")
    return suffix


def write_picture(
    picture: Bytes,
    path: str | Path,
    *,
    dpi: int,
    size_mm: tuple[float, float],
    bleed_mm: float = 0.0,
    border_mm: float = 0.0,
) -> None:
    """Write a picture for the printer at true size: png, tiff or pdf by its suffix, whole or not at all.

    Parameters
    ----------
    picture : (H, W, 3) uint8
        Device RGB. No profile is embedded: the values go to the printer as they stand.
    path : path
    dpi : int
        Stated in png and tiff.
    size_mm : (width, height)
        Of the whole picture; the page of a pdf.
    bleed_mm : float
        How much the picture is larger than the piece on every side.
    border_mm : float
        White paper round that, part of the picture.

    Raises
    ------
    UsageError
        The suffix is none of png, tif, tiff, pdf.
    FileError
        The file cannot be written; what was there before stays.
    """
    suffix = print_suffix(path)
    from PIL import Image

    image = Image.fromarray(picture)
    with whole(path, suffix) as temporary:
        if suffix == ".pdf":
            _write_pdf(image, temporary, size_mm, bleed_mm, border_mm)
        elif suffix == ".png":
            small = picture.size < _LARGE  # the last tenth of a large photo would take half a minute
            effort: dict[str, Any] = {"optimize": True} if small else {"compress_level": 2}
            image.save(temporary, format="PNG", dpi=(dpi, dpi), **effort)
        else:  # differences of neighbours (predictor, TIFF 6.0 section 14): a photo would grow without
            tags = {_TIFF_PREDICTOR: 2} if picture.size >= _LARGE else {}
            sink = io.BytesIO()  # libtiff itself writes past a full disk, and talks of it on the screen
            image.save(sink, format="TIFF", dpi=(dpi, dpi), compression="tiff_lzw", tiffinfo=tags)
            Path(temporary).write_bytes(sink.getbuffer())


def _write_pdf(image: Image.Image, path: str, size_mm: tuple[float, float], bleed_mm: float, border_mm: float) -> None:
    """Write one page as large as the sheet; the trim box is the piece, the bleed box what is printed."""
    from reportlab.lib.utils import ImageReader  # type: ignore[import-untyped]
    from reportlab.pdfgen.canvas import Canvas  # type: ignore[import-untyped]

    point = 72.0 / MM_PER_INCH  # user space unit, ISO 32000-1 8.3.2.3
    w, h, edge, b = size_mm[0] * point, size_mm[1] * point, border_mm * point, (border_mm + bleed_mm) * point
    piece = [v - 2 * (bleed_mm + border_mm) for v in size_mm]
    page = Canvas(path, pagesize=(w, h), invariant=1, pageCompression=1)
    page.setBleedBox((edge, edge, w - edge, h - edge))
    page.setTrimBox((b, b, w - b, h - b))
    page.setTitle(f"{piece[0]:g} x {piece[1]:g} mm, print at 100 %")
    page.drawImage(ImageReader(image), 0, 0, width=w, height=h)
    page.showPage()
    page.save()


# ---------------------------------------------------------------- several on one page


def write_sheet(
    targets: Sequence[Target],
    path: str | Path,
    *,
    paper: str = "A4",
    gap_mm: float = 7.0,
    margin_mm: float = 8.0,
) -> list[Box]:
    """Write several small targets on one page, with trim marks and a rule to check the scale.

    Parameters
    ----------
    targets : sequence of Target
        All of one resolution; give each its own seed, so that the pieces can be told apart.
    path : path
        png, tiff or pdf by suffix.
    paper : {'A4', 'Letter'}
    gap_mm : float
        Between neighbours, at least 4 (the trim marks stand in it).
    margin_mm : float
        Left blank along the paper's edge.

    Returns
    -------
    list of (x, y, w, h)
        Where each target lies on the page, in mm, without its bleed.

    Raises
    ------
    UsageError
        They do not fit, or differ in resolution.
    FileError
        The file cannot be written.
    """
    print_suffix(path)
    if paper.lower() not in PAPERS_MM:
        raise UsageError(f"unknown paper '{paper}': choose A4 or Letter")
    if not targets:
        raise UsageError("a sheet needs at least one target")
    if len({t.dpi for t in targets}) > 1:
        raise UsageError("the targets of one sheet must have one resolution: make them with the same --dpi")
    if gap_mm < 4.0:
        raise UsageError("the gap between targets must be at least 4 mm: the trim marks stand in it")
    page_mm = PAPERS_MM[paper.lower()]
    dpi = targets[0].dpi
    per_mm = dpi / MM_PER_INCH
    places = _shelves(targets, page_mm, gap_mm, margin_mm)
    width, height = size_px(page_mm, dpi)
    page = np.full((height, width, 3), _WHITE, dtype=np.uint8)
    for target, (x, y, w, h) in zip(targets, places, strict=True):
        picture = print_picture(target)
        left, top = _edge(x - target.bleed_mm, per_mm), _edge(y - target.bleed_mm, per_mm)
        page[top : top + picture.shape[0], left : left + picture.shape[1]] = picture
        _trim_marks(page, (x, y, w, h), target.bleed_mm, min(gap_mm / 2, 3.5), per_mm)
    _page_foot(page, page_mm, max(y + h for _, y, _, h in places), targets, per_mm)
    write_picture(page, path, dpi=dpi, size_mm=page_mm)
    return places


def write_sheets(targets: Sequence[Target], path: Path) -> list[Path]:
    """Write targets on as few A4 pages as they need, numbered where there are several; none where one is too large.

    Parameters
    ----------
    targets : sequence of Target
    path : path
        Of a single page.
    """
    pages: list[Path] = []
    rest = list(targets)
    count = len(rest)
    while count:
        number = f"-{len(pages) + 1}" if pages or count < len(rest) else ""
        page = path.with_stem(f"{path.stem}{number}")
        try:
            write_sheet(rest[:count], page)
        except UsageError:
            count -= 1
            continue
        pages.append(page)
        rest = rest[count:]
        count = len(rest)
    return pages


def _shelves(targets: Sequence[Target], page_mm: tuple[float, float], gap: float, margin: float) -> list[Box]:
    """Place targets in rows from the top left, in the order given."""
    out: list[Box] = []
    x, y, row = margin, margin, 0.0
    for t in targets:
        w, h = (v + 2 * t.bleed_mm for v in t.size_mm)
        if x > margin and x + w > page_mm[0] - margin + 1e-6:
            x, y, row = margin, y + row + gap, 0.0
        if x + w > page_mm[0] - margin + 1e-6 or y + h > page_mm[1] - margin + 1e-6:
            raise UsageError(f"{len(targets)} targets do not fit on one page: take fewer or smaller ones")
        out.append((x + t.bleed_mm, y + t.bleed_mm, t.size_mm[0], t.size_mm[1]))
        x, row = x + w + gap, max(row, h)
    return out


def _trim_marks(page: Bytes, box: Box, bleed: float, reach: float, per_mm: float) -> None:
    """Thin lines that point at the four corners from outside."""
    x, y, w, h = box
    thin, start = 0.15, bleed + 0.8
    long = reach + bleed - start
    for edge, away in ((0, -1), (1, 1)):
        cx, cy = x + edge * w, y + edge * h
        out_x, out_y = (cx + start, cy + start) if away > 0 else (cx - start - long, cy - start - long)
        for k in (0, 1):
            _fill(page, (x + k * w - thin / 2, out_y, thin, long), per_mm, _BLACK)
            _fill(page, (out_x, y + k * h - thin / 2, long, thin), per_mm, _BLACK)


def _page_foot(
    page: Bytes, page_mm: tuple[float, float], used: float, targets: Sequence[Target], per_mm: float
) -> None:
    """Say how to print, and draw a rule of 100 mm, below the targets if there is room."""
    if page_mm[1] - used < 26.0:
        return
    y, x = page_mm[1] - 18.0, 8.0
    states = {t.mirrored for t in targets}
    mirror = {
        frozenset({True}): "Mirrored already: do not mirror again.",
        frozenset({False}): "Not mirrored, and must not be.",
    }.get(frozenset(states), "Do not mirror.")
    _fill(page, (x, y, 100.0, 0.2), per_mm, _BLACK)
    for k in range(11):
        tall = 2.5 if k % 5 else 4.0
        _fill(page, (x + 10 * k - 0.1, y - tall, 0.2, tall), per_mm, _BLACK)
    how = f"Print at 100 %, not fitted to the page. {mirror} Cut at the thin marks."
    with _pen(page, (0.0, y - 6.0, page_mm[0], 18.0), per_mm) as (pen, x0, y0):
        for at_x, at_y, text in ((x + 103, y, "must measure 100 mm on paper"), (x, y + 6, how)):
            at = (_edge(at_x, per_mm) - x0, _edge(at_y, per_mm) - y0)
            pen.text(at, text, fill=(0, 0, 0), font=_font(3.2, per_mm), anchor="ls")
