"""Drawings as SVG text: marks, the piece in millimetres, plots, bars and swatches. No plotting library.

A place on the piece is a place in the picture (one unit is one millimetre). Text takes the page's own colour, so that
one drawing serves light, dark and paper; the classes are those of ``templates/look.css``.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import partial
from html import escape
from typing import Any

from ..faults.catalogue import BANDS, WHOLE
from ..ground.records import Finding, Floats
from ..ground.units import MM_PER_INCH
from .numbers import either, number
from .pictures import lab_hex
from .say import say

# ---------------------------------------------------------------- marks


def short(value: Any) -> str:
    """Format a coordinate shortly; anything but a number is escaped."""
    if isinstance(value, str):
        return escape(value, quote=True)
    return f"{value:.2f}".rstrip("0").rstrip(".")


def tag(name: str, *inside: str, css: str = "", **attributes: Any) -> str:
    """Write one element: numbers are shortened, texts escaped, ``inside`` is SVG already.

    Parameters
    ----------
    name : str
    inside : str
        Elements, or escaped text.
    css : str
        Its class.
    attributes : numbers or str
        ``_`` in a name stands for ``-``.
    """
    told = f' class="{css}"' if css else ""
    told += "".join(f' {k.replace("_", "-")}="{short(v)}"' for k, v in attributes.items())
    return f"<{name}{told}>{''.join(inside)}</{name}>" if inside else f"<{name}{told}/>"


def label(x: float, y: float, text: str, css: str = "axis mid", *, at: float = 12.0, **more: Any) -> str:
    """Write a text at a place."""
    return tag("text", escape(text), css=css, x=x, y=y, font_size=at, **more)


def line(css: str, x1: float, y1: float, x2: float, y2: float) -> str:
    """Draw a straight line."""
    return tag("line", css=css, x1=x1, x2=x2, y1=y1, y2=y2)


def circle(css: str, x: float, y: float, r: float, *, title: str = "", **more: Any) -> str:
    """Draw a circle, with a text on hovering."""
    return tag("circle", *([tag("title", escape(title))] if title else []), css=css, cx=x, cy=y, r=r, **more)


def path_of(points: Any) -> str:
    """Path data of a closed line through points (n, 2)."""
    return "M" + "L".join(f"{short(float(x))} {short(float(y))}" for x, y in points) + "Z"


def haloed(name: str, css: str, **attributes: Any) -> str:
    """Draw a shape twice: white and broad, then in ink, so that it shows on any picture."""
    thin = " thin" if "thin" in css else ""
    return tag(name, css=f"halo{thin}", **attributes) + tag(name, css=css, **attributes)


def dashed(path: str) -> str:
    """Outline what spoils a photo; '' when there is nothing."""
    return haloed("path", "ink dash", d=path) if path else ""


def drawing(css: str, box: Sequence[float], about: str, *inside: str, width: float = 0.0, links: bool = False) -> str:
    """Frame a drawing: ``box`` is (x, y, width, height) of what it shows, ``about`` says it to those who do not see."""
    wide = {"style": f"max-width:{short(width)}px"} if width else {}
    role = "group" if links else "img"  # a group holds links to the findings
    return tag("svg", *inside, css=css, role=role, aria_label=about, viewBox=" ".join(map(short, box)), **wide)


def nice_ticks(low: float, high: float, count: int = 5) -> list[float]:
    """Round numbers that divide a range into about ``count`` steps."""
    if not (math.isfinite(low) and math.isfinite(high)) or high <= low:
        return [low] if math.isfinite(low) else []
    raw = (high - low) / count
    base = 10.0 ** math.floor(math.log10(raw))
    step = next(m * base for m in (1, 2, 2.5, 5, 10) if m * base >= raw * 0.999)
    first = math.ceil(low / step - 1e-9)
    return [round(k * step, 10) + 0.0 for k in range(first, math.floor(high / step + 1e-9) + 1)]


# ---------------------------------------------------------------- the piece in mm


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
        ``<g>`` elements with ``data-x-mm`` and ``data-y-mm``, each a link to the finding in the page's list, and over
        all of them the numbers.
    """
    unit = max(size_mm) / 100.0
    placed = ring_places(findings)
    marks = [_mark(f, size_mm, shape, unit) for _, f in placed]
    places, r = free_places([at for _, at in marks], 3.1 * unit, (0.0, 0.0, *size_mm))
    under, over = [], []
    for (k, f), (mark, _), at in zip(placed, marks, places, strict=True):
        to: dict[str, Any] = {"href": f"#finding-{k}", "css": "tap"}
        outline = tag("g", mark, css="mark", data_x_mm=f.x_mm, data_y_mm=f.y_mm)
        under.append(tag("a", outline, **to, aria_label=say("finding_number", k)))
        over.append(tag("a", badge(*at, r, k), **to, tabindex=-1, aria_hidden="true"))  # the same link, for fingers
    return "".join([*under, *over])


def free_places(
    wanted: Sequence[tuple[float, float]], r: float, box: Sequence[float]
) -> tuple[list[tuple[float, float]], float]:
    """Places for round labels, each as near as there is room to where it would best stand.

    Parameters
    ----------
    wanted : sequence of (x, y)
    r : float
        Radius of a label; smaller ones are made where there is no room for so many.
    box : (x, y, width, height)
        The picture.

    Returns
    -------
    places : list of (x, y)
        Of the same order; no two labels meet, none leaves the picture.
    r : float
        Radius for which that is so.
    """
    x0, y0, w, h = box
    r = min(r, 0.5 * w, 0.5 * h)
    while (places := _all_placed(wanted, r, (x0 + r, y0 + r, x0 + w - r, y0 + h - r))) is None:
        r *= 0.8
    return places, r


def _all_placed(
    wanted: Sequence[tuple[float, float]], r: float, ends: tuple[float, float, float, float]
) -> list[tuple[float, float]] | None:
    """Place labels of one radius one after another, their middles within ``ends``; None where one finds no room."""
    x0, y0, x1, y1 = ends
    columns, rows = (math.ceil(2 * (b - a) / r) for a, b in ((x0, x1), (y0, y1)))  # half a radius apart
    xs = [x0 + (x1 - x0) * i / max(columns, 1) for i in range(columns + 1)]
    grid = [(x, y0 + (y1 - y0) * j / max(rows, 1)) for x in xs for j in range(rows + 1)]
    taken: list[tuple[float, float]] = []
    for x, y in wanted:
        at = (min(max(x, x0), x1), min(max(y, y0), y1))
        if not _clear(at, taken, r):
            grid.sort(key=partial(math.dist, at))
            free = next((p for p in grid if _clear(p, taken, r)), None)
            if free is None:
                return None
            at = free
        taken.append(at)
    return taken


def _clear(at: tuple[float, float], taken: Sequence[tuple[float, float]], r: float) -> bool:
    return all(math.dist(at, t) > 2.1 * r for t in taken)


def badge(x: float, y: float, r: float, k: int) -> str:
    """Draw the number of a finding."""
    size = (1.42 if k < 10 else 1.2) * r
    return circle("badge", x, y, r) + label(x, y + 0.36 * size, str(k), "badgetext", at=size)


def _mark(f: Finding, size_mm: tuple[float, float], shape: str, unit: float) -> tuple[str, tuple[float, float]]:
    """Outline one finding, and say where its number would best stand."""
    w, h = size_mm
    side = str(f.detail.get("side", "")) if f.kind in BANDS else ""
    if side == "rim":
        d = min(f.diameter_mm, 0.4 * min(w, h))
        at = (w / 2 + 0.71 * (w / 2 - 0.5 * d), h / 2 - 0.71 * (h / 2 - 0.5 * d))
        return haloed("ellipse", "ink dash", cx=w / 2, cy=h / 2, rx=w / 2 - d, ry=h / 2 - d), at
    if side in ("left", "right", "top", "bottom"):
        if shape == "round":
            return haloed("path", "ink dash", d=_rim_band(side, f.diameter_mm, size_mm)), (f.x_mm, f.y_mm)
        d = min(f.diameter_mm, 0.5 * min(w, h))
        x, y = (w - d if side == "right" else 0), (h - d if side == "bottom" else 0)
        wide, tall = (d, h) if side in ("left", "right") else (w, d)
        return haloed("rect", "ink dash", x=x, y=y, width=wide, height=tall), (f.x_mm, f.y_mm)
    r = max(0.5 * f.diameter_mm + unit, 2.2 * unit)
    css = "ink dash" if f.kind in (*BANDS, "glare") else "ink"
    out = 0.71 * r + 0.5 * 3.1 * unit
    return haloed("circle", css, cx=f.x_mm, cy=f.y_mm, r=r), (f.x_mm + out, f.y_mm - out)


def _rim_band(side: str, deep_mm: float, size_mm: tuple[float, float]) -> str:
    """SVG path data of a quarter of the rim of a round piece, so many mm deep."""
    cx, cy = size_mm[0] / 2, size_mm[1] / 2
    outer = min(cx, cy)
    inner = max(outer - deep_mm, 0.2 * outer)
    middle = {"right": 0.0, "bottom": 90.0, "left": 180.0, "top": 270.0}[side]
    a, b = math.radians(middle - 45), math.radians(middle + 45)

    def at(r: float, t: float) -> str:
        return f"{short(cx + r * math.cos(t))} {short(cy + r * math.sin(t))}"

    return (
        f"M{at(outer, a)}A{short(outer)} {short(outer)} 0 0 1 {at(outer, b)}"
        f"L{at(inner, b)}A{short(inner)} {short(inner)} 0 0 0 {at(inner, a)}Z"
    )


def piece_svg(
    image_uri: str,
    size_mm: tuple[float, float],
    *,
    name: str,
    about: str,
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
    about : str
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
    wide, tall = size_mm if image_mm is None else image_mm
    u = max(w, h) / 100.0
    fs, clip = 3.6 * u, f"url(#clip-{name})"
    box: dict[str, Any] = {"x": 0, "y": 0, "width": w, "height": h}
    edge = "rect"
    if shape == "round":
        edge, box = "ellipse", {"cx": w / 2, "cy": h / 2, "rx": w / 2, "ry": h / 2}
    parts = [
        tag("defs", tag("clipPath", tag(edge, **box), id=f"clip-{name}")),
        tag("image", href=image_uri, x=0, y=0, width=wide, height=tall, preserveAspectRatio="none", clip_path=clip),
        tag(edge, **box, css="rim"),
    ]
    if cross:
        d = "".join(f"M{short(w * k / cross[0])} 0V{short(h)}" for k in range(1, cross[0]))
        d += "".join(f"M0 {short(h * k / cross[1])}H{short(w)}" for k in range(1, cross[1]))
        parts.append(tag("path", css="ninths", clip_path=clip, d=d))
    parts.append(either(_axes(size_mm, fs, 1.0, "mm"), _axes(size_mm, fs, MM_PER_INCH, "in")))
    foot = [tag("g", bar, transform=f"translate(0 {short(h + 8.5 * u)})")] if bar else []
    around = (-9.5 * u, -2.0 * u, w + 13.7 * u, h + 9.5 * u + (11.5 * u if bar else 0))
    return drawing("piece", around, about, *parts, overlay, *foot, links="<a " in overlay)


def _axes(size_mm: tuple[float, float], fs: float, unit_mm: float, unit: str) -> str:
    """Ticks and numbers along foot and left side of a piece, in a unit of so many mm."""
    (w, h), u = size_mm, max(size_mm) / 100.0
    parts = []
    for t in nice_ticks(0, w / unit_mm, 5 if w > 0.6 * h else 3):
        x = t * unit_mm
        parts += [line("tick", x, h, x, h + 1.3 * u), label(x, h + 5.2 * u, f"{t:g}", at=fs)]
    for t in nice_ticks(0, h / unit_mm, 5 if h > 0.6 * w else 3):
        y = t * unit_mm
        parts += [line("tick", -1.3 * u, y, 0, y), label(-2 * u, y + 1.3 * u, f"{t:g}", "axis end", at=fs)]
    return "".join(parts) + label(-2 * u, h + 5.2 * u, unit, "axis end", at=fs)


def bar_svg(
    table_uri: str,
    low: float,
    high: float,
    size_mm: tuple[float, float],
    *,
    ticks: Sequence[float],
    form: str = "{:g}",
    ends: Sequence[str] = (),
    limits: Sequence[float] = (),
) -> str:
    """Colour bar under a piece, origin at its top left; ``limits`` are marked by triangles, ``ends`` named inside."""
    width, u = size_mm[0], max(size_mm) / 100
    fs, tall = 3.6 * u, 3.2 * u

    def at(v: float) -> float:
        return (v - low) / (high - low) * width

    box: dict[str, Any] = {"x": 0, "y": 0, "width": width, "height": tall}
    out = [tag("image", href=table_uri, **box, preserveAspectRatio="none"), tag("rect", css="rim", **box)]
    for v in ticks:
        place = "start" if at(v) < 0.03 * width else "end" if at(v) > 0.97 * width else "mid"
        out.append(line("tick", at(v), tall, at(v), tall + u))
        out.append(label(at(v), tall + 4.6 * u, form.format(v) if v else "0", f"axis {place}", at=fs))
    for x in (at(v) for v in limits if low < v < high):
        d = f"M{short(x)} {short(0.45 * tall)}L{short(x - 1.2 * u)} {short(-0.6 * u)}H{short(x + 1.2 * u)}Z"
        out.append(tag("path", css="limit", d=d))
    places = ((1.2 * u, "axis inbar"), (width - 1.2 * u, "axis end inbar"))
    out += [label(x, 0.72 * tall, text, css, at=0.75 * fs) for text, (x, css) in zip(ends, places, strict=False)]
    return "".join(out)


# ---------------------------------------------------------------- plots


class Plot:
    """Data coordinates → SVG coordinates of one plot, and what was drawn in it so far."""

    def __init__(
        self,
        x_range: tuple[float, float],
        y_range: tuple[float, float],
        width: float = 340.0,
        height: float = 250.0,
    ) -> None:
        self.width, self.height = width, height
        self.left, self.right, self.top, self.bottom = 40.0, width - 12.0, 20.0, height - 36.0
        self.x_range, self.y_range = x_range, y_range
        self._drawn: list[str] = []

    def x(self, v: float) -> float:
        """Horizontal place of a value."""
        return self.left + (v - self.x_range[0]) / (self.x_range[1] - self.x_range[0]) * (self.right - self.left)

    def y(self, v: float) -> float:
        """Vertical place of a value."""
        return self.bottom - (v - self.y_range[0]) / (self.y_range[1] - self.y_range[0]) * (self.bottom - self.top)

    def add(self, *parts: str) -> None:
        """Draw elements in SVG coordinates."""
        self._drawn += parts

    def line(self, xs: Sequence[float], ys: Sequence[float], css: str, **more: Any) -> None:
        """Draw a line through points; those without a number are left out."""
        known = [(a, b) for a, b in zip(xs, ys, strict=True) if math.isfinite(a) and math.isfinite(b)]
        points = " ".join(f"{short(self.x(a))},{short(self.y(b))}" for a, b in known)
        self.add(tag("polyline", css=css, points=points, **more))

    def band(self, xs: Sequence[float], low: Sequence[float], high: Sequence[float]) -> None:
        """Fill between two lines."""
        ok = [(a, b, c) for a, b, c in zip(xs, low, high, strict=True) if math.isfinite(a + b + c)]
        round_ = [(a, c) for a, _, c in ok] + [(a, b) for a, b, _ in reversed(ok)]
        points = " ".join(f"{short(self.x(a))},{short(self.y(b))}" for a, b in round_)
        self.add(tag("polygon", css="band", points=points))

    def dot(self, x: float, y: float, css: str, *, r: float = 3.0, title: str = "", **more: Any) -> None:
        """Draw a dot, with a text on hovering."""
        if math.isfinite(x) and math.isfinite(y):
            self.add(circle(css, self.x(x), self.y(y), r, title=title, **more))

    def upright(self, at: float, css: str = "aimline", text: str = "") -> None:
        """Draw a line from top to bottom, named at its upper end."""
        self.add(line(css, self.x(at), self.top, self.x(at), self.bottom))
        if text:
            self.add(label(self.x(at) - 4, self.top + 12, text, "axis end"))

    def svg(
        self, about: str, x_name: str, y_name: str, *, x_ticks: Sequence[float] | None = None, y_inches: str = ""
    ) -> str:
        """Put frame, axes and their names round what was drawn; ``y_inches`` names upright lengths in inches."""
        grid = []
        for v in nice_ticks(*self.x_range) if x_ticks is None else x_ticks:
            grid.append(line("grid", self.x(v), self.top, self.x(v), self.bottom))
            grid.append(label(self.x(v), self.bottom + 15, f"{v:g}"))
        up = self._up(y_name)
        grid.append(either(up, self._up(y_inches, MM_PER_INCH)) if y_inches else up)
        name = label((self.left + self.right) / 2, self.height - 4, x_name)
        box = (0, 0, self.width, self.height)
        return drawing("plot", box, about, *grid, *self._drawn, name, width=1.25 * self.width)

    def _up(self, name: str, unit: float = 1.0) -> str:
        """Lines, numbers and name of the upright axis, in a unit."""
        grid = [label(2, 12, name, "axis")]
        for v in nice_ticks(self.y_range[0] / unit, self.y_range[1] / unit):
            y = self.y(v * unit)
            grid += [line("grid", self.left, y, self.right, y), label(self.left - 5, y + 4, f"{v:g}", "axis end")]
        return "".join(grid)


# ---------------------------------------------------------------- swatches and bars


def swatches_svg(
    ids: Sequence[str], measured: Floats, aim: Floats, values: Sequence[float], *, columns: int, about: str
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
    out = []
    for k, name in enumerate(ids):
        x, y = (k % columns) * (side + gap), (k // columns) * (side + text)
        (left, cut_a), (right, cut_m) = lab_hex(aim[k]), lab_hex(measured[k])
        out += [
            tag("rect", x=x, y=y, width=side / 2, height=side, fill=left),
            tag("rect", x=x + side / 2, y=y, width=side / 2, height=side, fill=right),
            tag("rect", css="rim", x=x, y=y, width=side, height=side),
            label(x + side / 2, y + side + 11, f"{name}{'*' if cut_a or cut_m else ''}", at=11),
            label(x + side / 2, y + side + 22, number(values[k]), at=11),
        ]
    width, rows = columns * (side + gap) - gap, max(1, math.ceil(len(ids) / columns))
    return drawing("swatches", (-1, -1, width + 2, rows * (side + text) + 2), about, *out, width=width)


def bars_svg(rows: Sequence[tuple[str, float, str]], *, about: str, width: float = 340.0) -> str:
    """Level bars from zero, each with its name above and its number behind: (name, value, css class)."""
    top = max([1.0, *(v for _, v, _ in rows if math.isfinite(v))])
    out = []
    for k, (name, value, css) in enumerate(rows):
        long = max(2.0, value / top * (width - 50)) if math.isfinite(value) else 0.0
        out.append(label(0, 40 * k + 12, name, "axis", at=13))
        out.append(tag("rect", css=f"bar {css}", x=0, y=40 * k + 17, width=long, height=13))
        out.append(label(long + 6, 40 * k + 28, number(value), "axis strong", at=13))
    return drawing("plot", (0, 0, width, 40 * len(rows)), about, *out)


def ranges_svg(
    rows: Sequence[tuple[str, float, float, str, str]], name: str, about: str, *, width: float = 340.0
) -> str:
    """Values ± doubt, one under another on one scale: (letter, value, doubt, css of range, css of dot)."""
    low, high = min(v - u for _, v, u, *_ in rows), max(v + u for _, v, u, *_ in rows)
    pad = 0.06 * max(high - low, 1e-6 * max(abs(high), 1e-3))
    plot = Plot((low - pad, high + pad), (0.0, 1.0), width)
    bottom = 10 + 30 * len(rows)
    out = []
    for t in nice_ticks(*plot.x_range, 4):
        out += [line("grid", plot.x(t), 4, plot.x(t), bottom), label(plot.x(t), bottom + 16, f"{t:g}")]
    for n, (letter, v, u, css, dot) in enumerate(rows):
        y = 22 + 30 * n
        out.append(label(14, y + 4, letter, "axis strong mid", at=13))
        out += [line(css, plot.x(v - u), y, plot.x(v + u), y), circle(dot, plot.x(v), y, 5)]
    return drawing("plot", (0, 0, width, bottom + 38), about, *out, label(width / 2, bottom + 34, name))
