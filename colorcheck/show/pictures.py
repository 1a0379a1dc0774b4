"""Drawing for reports: maps as PNG, photos as JPEG, overlays, plots and swatches as SVG. No plotting library.

SVG parts are drawn in millimetres of the piece, so that a place on the piece is a place in the picture.
Text takes the page's own colour, so that one drawing serves light, dark and paper.
"""

from __future__ import annotations

import base64
import math
from collections.abc import Sequence
from functools import lru_cache
from html import escape
from typing import Any

import cv2
import numpy as np

from ..faults.catalogue import BANDS, WHOLE
from ..ground.cielab import lab_to_xyz, linear_to_srgb, xyz_to_linear_srgb
from ..ground.records import Finding, Floats, Mask

_HATCH = ((176, 176, 176, 255), (214, 214, 214, 255))


# ---------------------------------------------------------------- colours


def lab_to_srgb8(lab: Floats) -> tuple[Any, Mask]:
    """8-bit sRGB of CIELAB D50, and which colours had to be clipped to it.

    Parameters
    ----------
    lab : (..., 3)

    Returns
    -------
    rgb : (..., 3) uint8
    outside : (...) bool
        Not reachable by an sRGB screen by more than half a percent of full light.
    """
    linear = np.asarray(xyz_to_linear_srgb(lab_to_xyz(np.asarray(lab, dtype=float))))
    outside = ((linear < -0.005) | (linear > 1.005)).any(axis=-1)
    rgb = np.round(255 * np.asarray(linear_to_srgb(np.clip(linear, 0, 1)))).astype(np.uint8)
    return rgb, np.asarray(outside)


def lab_hex(lab: Floats) -> tuple[str, bool]:
    """Hexadecimal sRGB of one colour, and whether it was clipped."""
    rgb, outside = lab_to_srgb8(np.asarray(lab, dtype=float))
    return "#{:02x}{:02x}{:02x}".format(*(int(c) for c in rgb)), bool(outside)


@lru_cache(1)
def diverging_table() -> Any:
    """(256, 3) uint8: blue (darker) over light grey to brown-orange (paler), in even steps of CIELAB.

    Blue and orange stay apart for all common kinds of colour blindness; lightness falls evenly
    from the middle to both ends.
    """
    t = np.linspace(-1, 1, 256)
    k = np.abs(t)
    blue, orange = np.array([40.0, 6.0, -48.0]), np.array([46.0, 34.0, 50.0])
    middle = np.array([93.0, 0.0, 0.0])
    ends = np.where(t[:, None] < 0, blue, orange)
    return lab_to_srgb8(middle + (ends - middle) * k[:, None])[0]


@lru_cache(1)
def light_table() -> Any:
    """(256, 3) uint8: dark slate to warm white, in even steps of CIELAB."""
    t = np.linspace(0, 1, 256)[:, None]
    return lab_to_srgb8(np.array([16.0, 3.0, -22.0]) * (1 - t) + np.array([95.0, -1.0, 14.0]) * t)[0]


# ---------------------------------------------------------------- pictures as data


def png_uri(pixels: Any) -> str:
    """Encode (H, W, 3|4) uint8 RGB[A] as PNG in a data URI."""
    swap = cv2.COLOR_RGBA2BGRA if pixels.shape[2] == 4 else cv2.COLOR_RGB2BGR
    ok, data = cv2.imencode(".png", cv2.cvtColor(pixels, swap), [cv2.IMWRITE_PNG_COMPRESSION, 4])
    if not ok:
        raise ValueError("the picture could not be encoded")
    return "data:image/png;base64," + base64.b64encode(data.tobytes()).decode("ascii")


def jpeg_uri(pixels: Any, *, quality: int = 82) -> str:
    """Encode (H, W, 3) uint8 RGB as JPEG in a data URI."""
    ok, data = cv2.imencode(".jpg", cv2.cvtColor(pixels, cv2.COLOR_RGB2BGR), [cv2.IMWRITE_JPEG_QUALITY, quality])
    if not ok:
        raise ValueError("the picture could not be encoded")
    return "data:image/jpeg;base64," + base64.b64encode(data.tobytes()).decode("ascii")


def photo_pixels(rgb: Any, light: Any, *, longest: int = 1000) -> Any:
    """(H, W, 3) uint8 sRGB of a flat linear photo divided by its light, so that bare coat is white.

    Parameters
    ----------
    rgb : (H, W, 3)
        Linear sRGB.
    light : (r, c, 3) or (3,)
        What bare coat gives: a map over the same area, or one value for the photo as taken.
    longest : int
        Longest side of the result in pixels.
    """
    h, w = rgb.shape[:2]
    k = min(1.0, longest / max(h, w))
    size = (max(1, round(w * k)), max(1, round(h * k)))
    small: Any = cv2.resize(np.asarray(rgb, dtype=np.float32), size, interpolation=cv2.INTER_AREA)
    e: Any = np.asarray(light, dtype=np.float32)
    if e.ndim == 3:
        e = cv2.resize(e, size, interpolation=cv2.INTER_LINEAR)
    rel = small / np.maximum(e, 1e-4)
    return np.round(255 * np.asarray(linear_to_srgb(np.clip(np.nan_to_num(rel), 0, 1)))).astype(np.uint8)


def map_pixels(
    values: Floats, table: Any, low: float, high: float, *, inside: Mask | None = None, zoom: int = 5
) -> Any:
    """(H, W, 4) uint8 picture of a map; hatched grey where it is NaN, transparent where not ``inside``.

    Parameters
    ----------
    values : (r, c)
    table : (256, 3) uint8
    low, high : float
        Values at the two ends of the table.
    inside : (r, c) bool, optional
        Where the piece is.
    zoom : int
        Pixels of the picture per step of the map.
    """
    known = np.isfinite(values)
    full = np.where(known, values, 0.0).astype(np.float32)
    size = (values.shape[1] * zoom, values.shape[0] * zoom)
    weight = cv2.resize(known.astype(np.float32), size, interpolation=cv2.INTER_LINEAR)
    smooth = cv2.resize(full, size, interpolation=cv2.INTER_LINEAR) / np.maximum(weight, 1e-3)
    index = np.clip((smooth - low) / max(high - low, 1e-9) * 255, 0, 255).round().astype(np.uint8)
    out = np.dstack([table[index], np.full(index.shape, 255, np.uint8)])
    row, col = np.mgrid[0 : size[1], 0 : size[0]]
    stripe = ((row + col) // 5) % 2 == 0
    lost = cv2.resize(known.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST) == 0
    out[lost] = np.where(stripe[lost][:, None], _HATCH[0], _HATCH[1])
    if inside is not None:
        out[cv2.resize(inside.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST) == 0] = 0
    return out


# ---------------------------------------------------------------- SVG: the piece in mm


def _n(value: float) -> str:
    """Format a coordinate shortly."""
    return f"{value:.2f}".rstrip("0").rstrip(".")


def nice_ticks(low: float, high: float, count: int = 5) -> list[float]:
    """Round numbers that divide a range into about ``count`` steps."""
    if not (math.isfinite(low) and math.isfinite(high)) or high <= low:
        return [low] if math.isfinite(low) else []
    raw = (high - low) / count
    base = 10.0 ** math.floor(math.log10(raw))
    step = next(m * base for m in (1, 2, 2.5, 5, 10) if m * base >= raw * 0.999)
    first = math.ceil(low / step - 1e-9)
    return [round(k * step, 10) + 0.0 for k in range(first, math.floor(high / step + 1e-9) + 1)]


def ring_places(findings: Sequence[Finding]) -> list[tuple[int, Finding]]:
    """Pick the findings that have a place, with their numbers (from 1, in the order given)."""
    return [
        (k, f)
        for k, f in enumerate(findings, 1)
        if f.kind not in WHOLE and math.isfinite(f.x_mm) and math.isfinite(f.y_mm)
    ]


def overlay_svg(findings: Sequence[Finding], size_mm: tuple[float, float], *, shape: str = "rect") -> str:
    """SVG elements in mm that mark findings at their place: ink with a white halo, and a number.

    Parameters
    ----------
    findings : sequence of Finding
        Numbered from 1 in this order. Those of the whole sheet get no mark.
    size_mm : (width, height)
    shape : {'rect', 'round'}

    Returns
    -------
    str
        ``<g>`` elements with ``data-x-mm`` and ``data-y-mm``, each a link to the finding in the page's list.
    """
    w, h = size_mm
    unit = max(w, h) / 100.0
    badge = 3.1 * unit
    taken: list[tuple[float, float]] = []
    out = []
    for number, f in ring_places(findings):
        side = str(f.detail.get("side", ""))
        band = f.kind in BANDS and side in ("left", "right", "top", "bottom")
        if f.kind in BANDS and side == "rim":
            d = min(f.diameter_mm, 0.4 * min(w, h))
            body = f'cx="{_n(w / 2)}" cy="{_n(h / 2)}" rx="{_n(w / 2 - d)}" ry="{_n(h / 2 - d)}"'
            mark = f'<ellipse class="halo" {body}/><ellipse class="ink dash" {body}/>'
            at = (w / 2 + 0.71 * (w / 2 - 0.5 * d), h / 2 - 0.71 * (h / 2 - 0.5 * d))
        elif band and shape == "round":
            path = _rim_band(side, f.diameter_mm, size_mm)
            mark = f'<path class="halo" d="{path}"/><path class="ink dash" d="{path}"/>'
            at = (f.x_mm, f.y_mm)
        elif band:
            d = min(f.diameter_mm, 0.5 * min(w, h))
            x, y, ww, hh = {
                "left": (0, 0, d, h),
                "right": (w - d, 0, d, h),
                "top": (0, 0, w, d),
                "bottom": (0, h - d, w, d),
            }[side]
            body = f'x="{_n(x)}" y="{_n(y)}" width="{_n(ww)}" height="{_n(hh)}"'
            mark = f'<rect class="halo" {body}/><rect class="ink dash" {body}/>'
            at = (f.x_mm, f.y_mm)
        else:
            r = max(0.5 * f.diameter_mm + unit, 2.2 * unit)
            body = f'cx="{_n(f.x_mm)}" cy="{_n(f.y_mm)}" r="{_n(r)}"'
            dash = "ink dash" if f.kind in (*BANDS, "glare") else "ink"
            mark = f'<circle class="halo" {body}/><circle class="{dash}" {body}/>'
            at = (f.x_mm + 0.71 * r + 0.5 * badge, f.y_mm - 0.71 * r - 0.5 * badge)
        bx, by = _free(at, taken, badge, size_mm)
        taken.append((bx, by))
        out.append(
            f'<a href="#finding-{number}" class="tap" aria-label="Finding {number}">'
            f'<g class="mark" data-x-mm="{_n(f.x_mm)}" data-y-mm="{_n(f.y_mm)}">{mark}'
            f'<circle class="badge" cx="{_n(bx)}" cy="{_n(by)}" r="{_n(badge)}"/>'
            f'<text class="badgetext" x="{_n(bx)}" y="{_n(by + 0.36 * 4.4 * unit)}" '
            f'font-size="{_n(4.4 * unit)}">{number}</text></g></a>'
        )
    return "".join(out)


def _rim_band(side: str, deep_mm: float, size_mm: tuple[float, float]) -> str:
    """SVG path data of a quarter of the rim of a round piece, so many mm deep."""
    cx, cy = size_mm[0] / 2, size_mm[1] / 2
    outer = min(cx, cy)
    inner = max(outer - deep_mm, 0.2 * outer)
    middle = {"right": 0.0, "bottom": 90.0, "left": 180.0, "top": 270.0}[side]
    a, b = math.radians(middle - 45), math.radians(middle + 45)

    def at(r: float, t: float) -> str:
        return f"{_n(cx + r * math.cos(t))} {_n(cy + r * math.sin(t))}"

    return (
        f"M{at(outer, a)}A{_n(outer)} {_n(outer)} 0 0 1 {at(outer, b)}"
        f"L{at(inner, b)}A{_n(inner)} {_n(inner)} 0 0 0 {at(inner, a)}Z"
    )


def _free(
    at: tuple[float, float], taken: list[tuple[float, float]], r: float, size_mm: tuple[float, float]
) -> tuple[float, float]:
    """Place a badge on the piece where no other one sits."""
    best = at
    for k in range(25):
        turn, out = 2 * math.pi * (k % 8) / 8, 2.1 * r * ((k + 7) // 8)
        x = min(max(at[0] + out * math.cos(turn), r), size_mm[0] - r)
        y = min(max(at[1] + out * math.sin(turn), r), size_mm[1] - r)
        if k == 0:
            best = (x, y)
        if all(math.hypot(x - a, y - b) > 2.05 * r for a, b in taken):
            return x, y
    return best


def outline_paths(mask: Mask, step_mm: float) -> str:
    """SVG path data in mm round the parts of a coarse mask."""
    big = np.pad(mask.astype(np.uint8), 1)
    zoom = 4
    size = (big.shape[1] * zoom, big.shape[0] * zoom)
    big = (
        cv2.GaussianBlur(cv2.resize(big.astype(np.float32), size, interpolation=cv2.INTER_NEAREST), (0, 0), zoom) > 0.5
    ).astype(np.uint8)
    contours, _ = cv2.findContours(big, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
    parts = []
    for c in contours:
        points = cv2.approxPolyDP(c, 1.0, True).reshape(-1, 2)
        if len(points) < 3:
            continue
        mm = ((points + 0.5) / zoom - 1) * step_mm
        parts.append("M" + "L".join(f"{_n(float(x))} {_n(float(y))}" for x, y in mm) + "Z")
    return "".join(parts)


def piece_svg(
    image_uri: str,
    size_mm: tuple[float, float],
    *,
    name: str,
    label: str,
    shape: str = "rect",
    overlay: str = "",
    bar: str = "",
    cross: tuple[int, int] | None = None,
    image_mm: tuple[float, float] | None = None,
) -> str:
    """Picture of a piece with mm axes, an overlay in mm, and a colour bar at its foot.

    Parameters
    ----------
    image_uri : str
        Data URI of the picture, its top left at that of the piece.
    size_mm : (width, height)
    name : str
        Unique name within the page, used for ids.
    label : str
        What the picture shows, for those who do not see it.
    overlay : str
        SVG elements in mm, from `overlay_svg`.
    bar : str
        SVG elements from `bar_svg`.
    cross : (nx, ny), optional
        Divide the piece by thin lines into so many columns and rows.
    image_mm : (width, height), optional
        What the picture covers; the piece when left out. What lies off the piece is cut.
    """
    w, h = size_mm
    image_w, image_h = size_mm if image_mm is None else image_mm
    u = max(w, h) / 100.0
    fs = 3.6 * u
    left, top, right = 9.5 * u, 2.0 * u, 4.2 * u
    foot = 7.5 * u + (11.5 * u if bar else 0)
    axes = []
    ticks_x, ticks_y = nice_ticks(0, w, 5 if w > 0.6 * h else 3), nice_ticks(0, h, 5 if h > 0.6 * w else 3)
    for t in ticks_x:
        axes.append(
            f'<line class="tick" x1="{_n(t)}" x2="{_n(t)}" y1="{_n(h)}" y2="{_n(h + 1.3 * u)}"/>'
            f'<text class="axis mid" x="{_n(t)}" y="{_n(h + 5.2 * u)}" font-size="{_n(fs)}">{t:g}</text>'
        )
    for t in ticks_y:
        axes.append(
            f'<line class="tick" x1="{_n(-1.3 * u)}" x2="0" y1="{_n(t)}" y2="{_n(t)}"/>'
            f'<text class="axis end" x="{_n(-2 * u)}" y="{_n(t + 1.3 * u)}" font-size="{_n(fs)}">{t:g}</text>'
        )
    axes.append(f'<text class="axis end" x="{_n(-2 * u)}" y="{_n(h + 5.2 * u)}" font-size="{_n(fs)}">mm</text>')
    clip = f"clip-{name}"
    edge = (
        f'<ellipse cx="{_n(w / 2)}" cy="{_n(h / 2)}" rx="{_n(w / 2)}" ry="{_n(h / 2)}"'
        if shape == "round"
        else f'<rect x="0" y="0" width="{_n(w)}" height="{_n(h)}"'
    )
    lines = ""
    if cross:
        nx, ny = cross
        path = "".join(f"M{_n(w * k / nx)} 0V{_n(h)}" for k in range(1, nx))
        path += "".join(f"M0 {_n(h * k / ny)}H{_n(w)}" for k in range(1, ny))
        lines = f'<path class="ninths" clip-path="url(#{clip})" d="{path}"/>'
    foot_bar = f'<g transform="translate(0 {_n(h + 8.5 * u)})">{bar}</g>' if bar else ""
    return (
        f'<svg class="piece" role="{"group" if "<a " in overlay else "img"}" aria-label="{escape(label, quote=True)}" '
        f'viewBox="{_n(-left)} {_n(-top)} {_n(w + left + right)} {_n(h + top + foot)}">'
        f'<defs><clipPath id="{clip}">{edge}/></clipPath></defs>'
        f'<image href="{image_uri}" x="0" y="0" width="{_n(image_w)}" height="{_n(image_h)}" '
        f'preserveAspectRatio="none" clip-path="url(#{clip})"/>{edge} class="rim"/>{lines}{"".join(axes)}'
        f"{overlay}{foot_bar}</svg>"
    )


def bar_svg(
    table: Any,
    low: float,
    high: float,
    width_mm: float,
    unit_mm: float,
    *,
    ticks: Sequence[float],
    form: str = "{:g}",
    ends: tuple[str, str] = ("", ""),
    limits: Sequence[float] = (),
) -> str:
    """Colour bar as SVG elements, origin at its top left; ``limits`` are marked by triangles."""
    fs, tall = 3.6 * unit_mm, 3.2 * unit_mm
    strip = png_uri(np.ascontiguousarray(table[None, :, :]))

    def at(v: float) -> float:
        return (v - low) / (high - low) * width_mm

    out = [
        f'<image href="{strip}" x="0" y="0" width="{_n(width_mm)}" height="{_n(tall)}" '
        'preserveAspectRatio="none"/>'
        f'<rect class="rim" x="0" y="0" width="{_n(width_mm)}" height="{_n(tall)}"/>'
    ]
    for v in ticks:
        place = "start" if at(v) < 0.03 * width_mm else "end" if at(v) > 0.97 * width_mm else "mid"
        out.append(
            f'<line class="tick" x1="{_n(at(v))}" x2="{_n(at(v))}" y1="{_n(tall)}" '
            f'y2="{_n(tall + unit_mm)}"/>'
            f'<text class="axis {place}" x="{_n(at(v))}" y="{_n(tall + 4.6 * unit_mm)}" font-size="{_n(fs)}">'
            f"{escape(form.format(v) if v else '0')}</text>"
        )
    for v in limits:
        if low < v < high:
            x = at(v)
            out.append(
                f'<path class="limit" d="M{_n(x)} {_n(tall * 0.45)}L{_n(x - 1.2 * unit_mm)} '
                f"{_n(-0.6 * unit_mm)}"
                f'H{_n(x + 1.2 * unit_mm)}Z"/>'
            )
    if ends[0]:
        out.append(
            f'<text class="axis inbar" x="{_n(1.2 * unit_mm)}" y="{_n(0.72 * tall)}" '
            f'font-size="{_n(0.75 * fs)}">{escape(ends[0])}</text>'
        )
    if ends[1]:
        out.append(
            f'<text class="axis end inbar" x="{_n(width_mm - 1.2 * unit_mm)}" y="{_n(0.72 * tall)}" '
            f'font-size="{_n(0.75 * fs)}">{escape(ends[1])}</text>'
        )
    return "".join(out)


# ---------------------------------------------------------------- SVG: plots


def plot_svg(
    label: str,
    x_name: str,
    y_name: str,
    x_range: tuple[float, float],
    y_range: tuple[float, float],
    inner: str,
    *,
    width: float = 340.0,
    height: float = 250.0,
    x_ticks: Sequence[float] | None = None,
) -> str:
    """Frame with axes and names round ``inner``, which `Plot` coordinates draw."""
    p = Plot(x_range, y_range, width, height)
    xs = nice_ticks(*x_range) if x_ticks is None else x_ticks
    ys = nice_ticks(*y_range)
    grid = "".join(
        f'<line class="grid" x1="{_n(p.x(v))}" x2="{_n(p.x(v))}" y1="{_n(p.top)}" y2="{_n(p.bottom)}"/>'
        f'<text class="axis mid" x="{_n(p.x(v))}" y="{_n(p.bottom + 15)}" font-size="12">{v:g}</text>'
        for v in xs
    )
    grid += "".join(
        f'<line class="grid" x1="{_n(p.left)}" x2="{_n(p.right)}" y1="{_n(p.y(v))}" y2="{_n(p.y(v))}"/>'
        f'<text class="axis end" x="{_n(p.left - 5)}" y="{_n(p.y(v) + 4)}" font-size="12">{v:g}</text>'
        for v in ys
    )
    return (
        f'<svg class="plot" role="img" aria-label="{escape(label, quote=True)}" viewBox="0 0 {_n(width)} '
        f'{_n(height)}" style="max-width:{_n(1.25 * width)}px">'
        f'{grid}{inner}<text class="axis mid" x="{_n((p.left + p.right) / 2)}" y="{_n(height - 4)}" '
        'font-size="12">'
        f'{escape(x_name)}</text><text class="axis" x="2" y="12" font-size="12">{escape(y_name)}</text></svg>'
    )


class Plot:
    """Data coordinates → SVG coordinates of one plot."""

    def __init__(
        self,
        x_range: tuple[float, float],
        y_range: tuple[float, float],
        width: float = 340.0,
        height: float = 250.0,
    ) -> None:
        self.left, self.right, self.top, self.bottom = 40.0, width - 12.0, 20.0, height - 36.0
        self._x, self._y = x_range, y_range

    def x(self, v: float) -> float:
        """Horizontal place of a value."""
        return self.left + (v - self._x[0]) / (self._x[1] - self._x[0]) * (self.right - self.left)

    def y(self, v: float) -> float:
        """Vertical place of a value."""
        return self.bottom - (v - self._y[0]) / (self._y[1] - self._y[0]) * (self.bottom - self.top)

    def line(self, xs: Sequence[float], ys: Sequence[float], css: str) -> str:
        """Draw a line through points; those without a number are left out."""
        points = " ".join(
            f"{_n(self.x(a))},{_n(self.y(b))}"
            for a, b in zip(xs, ys, strict=True)
            if math.isfinite(a) and math.isfinite(b)
        )
        return f'<polyline class="{css}" points="{points}"/>'

    def band(self, xs: Sequence[float], low: Sequence[float], high: Sequence[float], css: str) -> str:
        """Fill between two lines."""
        ok = [(a, b, c) for a, b, c in zip(xs, low, high, strict=True) if math.isfinite(a + b + c)]
        there = " ".join(f"{_n(self.x(a))},{_n(self.y(c))}" for a, _, c in ok)
        back = " ".join(f"{_n(self.x(a))},{_n(self.y(b))}" for a, b, _ in reversed(ok))
        return f'<polygon class="{css}" points="{there} {back}"/>'

    def dot(self, x: float, y: float, css: str, *, r: float = 3.0, title: str = "") -> str:
        """Draw a dot, with a text on hovering."""
        if not (math.isfinite(x) and math.isfinite(y)):
            return ""
        note = f"<title>{escape(title)}</title>" if title else ""
        return f'<circle class="{css}" cx="{_n(self.x(x))}" cy="{_n(self.y(y))}" r="{_n(r)}">{note}</circle>'


def swatches_svg(
    ids: Sequence[str], measured: Floats, aim: Floats, values: Sequence[float], *, columns: int, label: str
) -> str:
    """Squares split in two, aim to the left and measured to the right, with id and ΔE00 under them.

    Parameters
    ----------
    ids : sequence of str
    measured, aim : (k, 3)
        CIELAB D50.
    values : sequence of float
        ΔE00 of each.
    columns : int
        Squares in a row.
    """
    side, gap, text = 44, 8, 28
    rows = max(1, math.ceil(len(ids) / columns))
    out = []
    for k, name in enumerate(ids):
        x, y = (k % columns) * (side + gap), (k // columns) * (side + text)
        left, cut_a = lab_hex(aim[k])
        right, cut_m = lab_hex(measured[k])
        star = "*" if cut_a or cut_m else ""
        out.append(
            f'<rect x="{x}" y="{y}" width="{side / 2}" height="{side}" fill="{left}"/>'
            f'<rect x="{x + side / 2:g}" y="{y}" width="{side / 2}" height="{side}" fill="{right}"/>'
            f'<rect class="rim" x="{x}" y="{y}" width="{side}" height="{side}"/>'
            f'<text class="axis mid" x="{x + side / 2:g}" y="{y + side + 11}" font-size="11">'
            f"{escape(name)}{star}</text>"
            f'<text class="axis mid" x="{x + side / 2:g}" y="{y + side + 22}" font-size="11">'
            f"{values[k]:.1f}</text>"
        )
    width = columns * (side + gap) - gap
    return (
        f'<svg class="swatches" role="img" aria-label="{escape(label, quote=True)}" '
        f'viewBox="-1 -1 {width + 2} {rows * (side + text) + 2}" '
        f'style="max-width:{width}px">{"".join(out)}</svg>'
    )


def bars_svg(rows: Sequence[tuple[str, float, str]], *, label: str, width: float = 340.0) -> str:
    """Level bars from zero, each with its name above and its number behind: (name, value, css class)."""
    known = [v for _, v, _ in rows if math.isfinite(v)]
    top = max([*known, 1.0])
    out = []
    for k, (name, value, css) in enumerate(rows):
        y = 40 * k
        long = max(2.0, value / top * (width - 50)) if math.isfinite(value) else 0.0
        text = f"{value:.1f}" if math.isfinite(value) else "–"
        out.append(
            f'<text class="axis" x="0" y="{y + 12}" font-size="13">{escape(name)}</text>'
            f'<rect class="bar {css}" x="0" y="{y + 17}" width="{_n(long)}" height="13"/>'
            f'<text class="axis strong" x="{_n(long + 6)}" y="{y + 28}" font-size="13">{text}</text>'
        )
    return (
        f'<svg class="plot" role="img" aria-label="{escape(label, quote=True)}" '
        f'viewBox="0 0 {_n(width)} {40 * len(rows)}">{"".join(out)}</svg>'
    )
