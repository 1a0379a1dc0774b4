"""Every drawing of the reports: maps of the piece, curves, bodies of colour, presses laid over one another."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, cast

import cv2
import numpy as np

from ..ground.records import Accuracy, CellFlag, CellKind, Finding, Floats, Mask, PhotoResult, Reading
from ..ground.units import MM_PER_INCH
from . import pictures as pic
from . import svg
from .numbers import either, number
from .say import items, say

if TYPE_CHECKING:
    from ..colour.reach import Reach
    from ..colour.substrate import Substrate
    from ..flows.bench import Checked
    from ..flows.compare import Comparison
    from ..flows.inspect import Inspection
    from ..flows.prepare import Prepared
    from ..shop.controlchart import Chart
    from ..shop.ladder import LadderFit, LadderPlan, Pressed
    from ..shop.presshealth import Common, FamilyHealth, Health, TrendLine

_STEPS = 17  # nodes along an edge of the device cube in the drawings
_DASHES = ("", "9 3", "2.5 2.5", "10 3 2.5 3", "5 2", "1.5 4")
_SWATCHES = (  # device colours that show a substrate's manner; their names stand in the words in this order
    *((255, 255, 255), (0, 0, 0), (128, 128, 128), (255, 0, 0), (255, 255, 0), (0, 255, 0)),
    *((0, 255, 255), (0, 0, 255), (255, 0, 255), (224, 172, 140), (96, 64, 40), (64, 96, 64)),
)
_GREY_TICKS = (0, 64, 128, 192, 255)
_ON_MAP = 40  # outlines of pieces in one map


# ---------------------------------------------------------------- maps of a piece


def _span(values: Any, step: float) -> tuple[float, float]:
    """Size in mm that a map covers: its last row and column may end beside the rim."""
    return values.shape[1] * step, values.shape[0] * step


def _inside(shape: tuple[int, ...], step: float, size: tuple[float, float], kind: str) -> Mask:
    """Tell where a coarse map lies on the piece."""
    yy, xx = np.mgrid[0 : shape[0], 0 : shape[1]]
    x, y = (xx + 0.5) * step, (yy + 0.5) * step
    if kind == "round":
        return np.asarray(np.hypot(x / size[0] - 0.5, y / size[1] - 0.5) <= 0.5)
    return np.asarray((x <= size[0]) & (y <= size[1]))


def signed_map(
    values: Floats,
    step_mm: float,
    size_mm: tuple[float, float],
    shape: str,
    *,
    limit: float,
    about: str,
    cross: tuple[int, int] | None = None,
) -> str:
    """Draw a map (r, c) of signed ΔE00, darker to paler, hatched where NaN; ``about`` names its sentence."""
    known = np.abs(values[np.isfinite(values)])
    top = float(np.clip(math.ceil(np.percentile(known, 99.5) if known.size else 3.0), 3, 12))
    table = pic.diverging_table()
    look: dict[str, Any] = {"form": "{:+g}", "ends": items("darker_paler"), "limits": (-limit, limit)}
    bar = svg.bar_svg(pic.png_uri(table[None]), -top, top, size_mm, ticks=svg.nice_ticks(-top, top, 6), **look)
    return svg.piece_svg(
        pic.png_uri(pic.map_pixels(values, table, -top, top)),
        size_mm,
        image_mm=_span(values, step_mm),
        name="even",
        shape=shape,
        bar=bar,
        cross=cross,
        about=say(about, top),
    )


def light_map(
    light: Floats, step_mm: float, size_mm: tuple[float, float], shape: str, *, ratio: float, overlay: str = ""
) -> str:
    """Draw a map (r, c, 3) of the light in percent of its brightest place on the piece."""
    level = light.mean(axis=2)
    inside = _inside(level.shape, step_mm, size_mm, shape) & np.isfinite(level)
    top = float(level[inside].max()) if inside.any() else 1.0
    share = 100 * level / max(top, 1e-9)
    low = float(np.clip(10 * math.floor(share[inside].min() / 10), 0, 80)) if inside.any() else 0.0
    table = pic.light_table()
    ticks = svg.nice_ticks(low, 100, 4)
    return svg.piece_svg(
        pic.png_uri(pic.map_pixels(share, table, low, 100)),
        size_mm,
        image_mm=_span(level, step_mm),
        name="light",
        bar=svg.bar_svg(pic.png_uri(table[None]), low, 100, size_mm, ticks=ticks, form="{:g} %"),
        shape=shape,
        about=say("light_about", ratio),
        overlay=overlay,
    )


def reach_map(p: Prepared, r: Reach, limit: float) -> str:
    """Draw how far the nearest printable colour is from the one due, in ΔE00."""
    top = float(np.clip(math.ceil(np.percentile(r.delta_e00[np.isfinite(r.delta_e00)], 99.5)), 6, 20))
    table = np.ascontiguousarray(pic.light_table()[::-1])
    ticks = svg.nice_ticks(0, top, 5)
    bar = svg.bar_svg(pic.png_uri(table[None]), 0.0, top, p.size_mm, ticks=ticks, limits=(limit,))
    pixels = pic.png_uri(pic.map_pixels(r.delta_e00, table, 0.0, top, zoom=2))
    return svg.piece_svg(pixels, p.size_mm, name="reach", about=say("reach_about", r.share), shape=p.shape, bar=bar)


def artwork_figure(p: Prepared, pixels: Any, name: str) -> str:
    """Draw the picture as designed or as it will print, cut to the piece."""
    uri = pic.jpeg_uri(pixels, quality=90)
    return svg.piece_svg(uri, p.size_mm, name=name, about=say("artwork_about", name), shape=p.shape)


# ---------------------------------------------------------------- a reading and an inspection


def main_photo(reading: Reading) -> PhotoResult:
    """Return the photo whose flat picture was kept."""
    return next((p for p in reading.photos if p.flat is not None), reading.photos[-1])


def glare_outline(photo: PhotoResult) -> str:
    """Outline the reflections that the photo check counts, as path data."""
    light = photo.light
    bright = light.g_map.max(axis=2) / np.maximum(light.e_map.max(axis=2), 1e-6)
    return pic.outline_paths(light.glare & (bright > 0.03), light.step_mm)


def spoiled_cells(reading: Reading, *, show_all: bool) -> str:
    """Outline the cells that are covered, and with ``show_all`` the overexposed ones, as path data."""
    photo, t = main_photo(reading), reading.target
    lost = int(CellFlag.HIDDEN) | (int(CellFlag.CLIPPED) if show_all else 0)
    return "".join(
        f"M{x:.1f} {y:.1f}h{w:.1f}v{h:.1f}h{-w:.1f}z"
        for (x, y, w, h), flag in zip(t.box_mm, photo.cells.flags, strict=True)
        if int(flag) & lost
    )


def reading_picture(reading: Reading, findings: Sequence[Finding], *, show_light: bool) -> str:
    """Draw the piece laid flat, findings at their place; light is taken out unless it is the matter."""
    photo, t = main_photo(reading), reading.target
    if photo.flat is None:
        return ""
    light: Any = np.median(photo.light.e_cell[t.kind == CellKind.WHITE], axis=0) if show_light else photo.light.e_map
    spoiled = spoiled_cells(reading, show_all=show_light)
    marks = svg.dashed(glare_outline(photo)) + (svg.haloed("path", "ink thin", d=spoiled) if spoiled else "")
    return svg.piece_svg(
        pic.jpeg_uri(pic.photo_pixels(photo.flat.rgb, light)),
        t.size_mm,
        image_mm=_span(photo.flat.rgb, 1 / photo.flat.px_per_mm),
        name="photo",
        about=say("photo_about", show_light, len(findings)),
        shape=t.shape,
        overlay=marks + svg.overlay_svg(findings, t.size_mm, shape=t.shape),
    )


def inspection_picture(i: Inspection, findings: Sequence[Finding], *, as_taken: bool, glare: str) -> str:
    """Draw the piece laid flat, cut to its size, findings at their place; light taken out unless it is the matter."""
    rgb, light, image_mm = _cut_to_size(i, as_taken=as_taken)
    return svg.piece_svg(
        pic.jpeg_uri(pic.photo_pixels(rgb, light)),
        i.size_mm,
        image_mm=image_mm,
        name="photo",
        about=say("photo_about", as_taken, len(findings)),
        shape=i.shape,
        overlay=svg.dashed(glare) + svg.overlay_svg(findings, i.size_mm, shape=i.shape),
    )


def _cut_to_size(i: Inspection, *, as_taken: bool) -> tuple[Any, Any, tuple[float, float]]:
    """Linear pixels of the piece alone, the light to divide them by, and the size in mm that they cover."""
    g, d = i.flat.px_per_mm, i.defects
    h, w = i.flat.rgb.shape[:2]
    wide, tall = round(i.size_mm[0] * g), round(i.size_mm[1] * g)
    left, top = round((w / g - i.size_mm[0]) / 2 * g), round((h / g - i.size_mm[1]) / 2 * g)
    rgb = i.flat.rgb[top : top + tall, left : left + wide]
    level = np.nanpercentile(rgb, 99) if np.isfinite(rgb).any() else 1.0
    light: Any = np.full(3, max(float(level), 1e-3)) if as_taken or not np.isfinite(d.light).any() else d.light
    return rgb, light, (wide / g, tall / g)


def small_piece(i: Inspection, findings: Sequence[Finding], longest: int) -> Any:
    """Piece laid flat as small pixels, (h, w, 3) uint8, a ring round every finding that has a place."""
    rgb, light, image_mm = _cut_to_size(i, as_taken=False)
    picture = np.ascontiguousarray(pic.photo_pixels(rgb, light, longest=longest))
    scale = picture.shape[1] / image_mm[0]
    for _, f in svg.ring_places(findings):
        at = (round(f.x_mm * scale), round(f.y_mm * scale))
        radius = round(min(max(0.6 * f.diameter_mm * scale, 5.0), 0.5 * longest))
        cv2.circle(picture, at, radius, (255, 255, 255), 3, cv2.LINE_AA)
        cv2.circle(picture, at, radius, (17, 17, 17), 1, cv2.LINE_AA)
    return picture


def colour_split(acc: Accuracy) -> str:
    """Draw the parts of the colour error as bars."""
    parts = (acc.mean_press, acc.mean_profile, acc.mean_limit, acc.mean_measurement)
    rows = zip(items("split_parts"), parts, ("b1", "b2", "b3", "b4"), strict=True)
    return svg.bars_svg(list(rows), about=say("split_about", *parts))


def _ramp(reading: Reading, acc: Accuracy) -> tuple[Floats, Floats, Floats, Floats]:
    """Neutral ramp: device value (k,), measured Lab (k, 3), aim Lab (k, 3), uncertainty (k,)."""
    rgb = reading.target.device_rgb
    spoiled = int(CellFlag.CLIPPED | CellFlag.HIDDEN | CellFlag.GLARE)
    grey = (np.ptp(rgb, axis=1) == 0) & ((reading.cells.flags & spoiled) == 0)
    levels = np.unique(rgb[grey, 0])
    same = [grey & (rgb[:, 0] == level) for level in levels]
    lab = [np.median(reading.cells.lab[s], axis=0) for s in same]
    aim = [np.median(acc.aim_lab[s], axis=0) for s in same]
    u = [float(np.median(reading.cells.uncertainty[s])) for s in same]
    return levels.astype(float), np.reshape(lab, (-1, 3)), np.reshape(aim, (-1, 3)), np.array(u)


def ramp_figures(reading: Reading, acc: Accuracy) -> tuple[str, str]:
    """Draw lightness and tint of the grey ramp; '' with fewer than three greys."""
    level, lab, aim, u = _ramp(reading, acc)
    if len(level) < 3:
        return "", ""
    p = svg.Plot((0, 255), (0, 105))
    xs, ls = level.tolist(), lab[:, 0].tolist()
    # the uncertainty is in ΔE00, which along greys is near one unit of L*
    p.band(xs, (lab[:, 0] - 2 * u).tolist(), (lab[:, 0] + 2 * u).tolist())
    p.line(xs, aim[:, 0].tolist(), "aimline")
    p.line(xs, ls, "line")
    for a, b in zip(xs, ls, strict=True):
        p.dot(a, b, "point", title=say("ramp_title", a, b))
    tone = p.svg(say("ramp_about"), say("axis", "sent"), say("axis", "lightness"), x_ticks=_GREY_TICKS)
    reach = max(4.0, math.ceil(1.15 * float(np.nanmax(np.abs(lab[:, 1:])))))
    p = svg.Plot((-reach, reach), (-reach, reach), 250, 262)
    limit = reading.limits.colour.grey_ch
    p.add(svg.line("zero", p.left, p.y(0), p.right, p.y(0)), svg.line("zero", p.x(0), p.bottom, p.x(0), p.top))
    p.add(svg.tag("ellipse", css="allowed", cx=p.x(0), cy=p.y(0), rx=p.x(limit) - p.x(0), ry=p.y(0) - p.y(limit)))
    for value, (lightness, a, b) in zip(level, lab, strict=True):
        shade = pic.lab_hex(np.array([lightness, 0.0, 0.0]))[0]
        p.dot(a, b, "greydot", r=4.0, title=say("tint_title", value, a, b), fill=shade)
    return tone, p.svg(say("tint_about"), say("axis", "a"), say("axis", "b"))


# ---------------------------------------------------------------- substrates


def letter(k: int) -> str:
    """Name the k-th substrate of a drawing."""
    return chr(65 + k) if k < 26 else str(k + 1)


def _look(k: int) -> dict[str, Any]:
    """Colour and dashes of the k-th substrate's lines; unlike dashes tell them apart without colour."""
    return {"css": f"sub s{k % 6}", "stroke_dasharray": _DASHES[(k // 6 + k) % 6]}


def stroke(k: int) -> str:
    """Draw a sample of a substrate's line for the legend; -1 for that of a screen."""
    ends: dict[str, Any] = {"x1": 1, "x2": 39, "y1": 4, "y2": 4}
    look: dict[str, Any] = {"css": "screen"} if k < 0 else _look(k)
    sample = svg.tag("line", **look, **ends)
    return svg.tag("svg", sample, css="stroke", viewBox="0 0 40 8", aria_hidden="true")


def ranges(c: Comparison, marks: dict[str, int]) -> str:
    """Ranges, value ± twice its doubt, one under another on one scale; '' where nothing is known."""
    r = c.rankings[c.purpose]
    scale = {"photos": 1e-3, "window": 100.0}.get(r.purpose, 1.0)
    alone = c.one_camera or r.purpose in ("window", "cost")
    rows = [
        (letter(k), scale * q.value, 2 * scale * (q.u_random if alone else q.u), f"sub s{k % 6} wide", f"dot d{k % 6}")
        for q, k in ((p.quantity, marks[p.name]) for p in r.places)
        if math.isfinite(q.value)
    ]
    name = say("compare_measure", r.measure)
    return svg.ranges_svg(rows, name, say("ranges_about", name)) if rows else ""


def colours_side_by_side(ordered: Sequence[Substrate]) -> str:
    """Draw the same printed colours on every substrate, one column each, names to the left."""
    from ..ground.cielab import D50_WHITE, lab_to_xyz, xyz_to_lab

    labs = [s.lab_of(np.array(_SWATCHES, dtype=float)) for s in ordered]
    if all(s.absolute for s in ordered):  # with the tint of each coat where that is known of all
        white = [lab_to_xyz(s.white_lab) / D50_WHITE for s in ordered]
        labs = [xyz_to_lab(lab_to_xyz(lab) * w) for lab, w in zip(labs, white, strict=True)]
    left, tall, wide = 62, 26, 44
    out = [svg.label(left + wide * (k + 0.5), 13, letter(k), "axis strong mid", at=13) for k in range(len(ordered))]
    for n, name in enumerate(items("swatch_names")):
        y = 20 + n * tall
        out.append(svg.label(left - 6, y + 17, name, "axis end"))
        for k, lab in enumerate(labs):
            colour, cut = pic.lab_hex(lab[n])
            out.append(svg.tag("rect", x=left + wide * k, y=y, width=wide, height=tall, fill=colour))
            if cut:
                ink = f"fill:{'#fff' if lab[n, 0] < 60 else '#111'}"
                out.append(svg.label(left + wide * (k + 1) - 9, y + 13, "*", "", style=ink))
    width, height = left + wide * len(ordered), 20 + tall * len(_SWATCHES)
    about = say("swatches_about", len(ordered))
    return svg.drawing("swatches", (0, 0, width, height), about, *out, width=max(width, 200) * 1.4)


def bodies_of(ordered: Sequence[Substrate]) -> list[Any]:
    """Bodies of colour, (v, 3) CIELAB each, for `slice_figure` and `view_figure`."""
    from ..colour.substrate import cube_surface

    return [s.lab_of(cube_surface(_STEPS)[0]) for s in ordered]


def slice_figure(bodies: Sequence[Any], level: float) -> str:
    """Cut through the bodies of colour (v, 3) at one L*, outlines over the colours themselves."""
    from ..colour.gamut import srgb_lab
    from ..colour.substrate import cube_surface, slice_paths

    places, triangles = cube_surface(_STEPS)
    paths = [slice_paths(body, triangles, level) for body in bodies]
    screen = slice_paths(srgb_lab(places), triangles, level)
    every = [p for some in [*paths, screen] for p in some] or [np.array([[-50.0, -50.0], [50.0, 50.0]])]
    low, high = np.min([p.min(axis=0) for p in every], axis=0), np.max([p.max(axis=0) for p in every], axis=0)
    half, (mid_a, mid_b) = 0.57 * float((high - low).max()), (low + high) / 2
    plot = svg.Plot((float(mid_a) - half, float(mid_a) + half), (float(mid_b) - half, float(mid_b) + half), 340, 340)
    plot.add(_hues(level, plot, [p for some in paths for p in some]))
    for k, some in ((-1, screen), *enumerate(paths)):
        for p in some:
            d = svg.path_of([(plot.x(float(a)), plot.y(float(b))) for a, b in p])
            plot.add(svg.tag("path", d=d, **({"css": "screen"} if k < 0 else _look(k))))
    return plot.svg(say("slice_about", level, len(bodies)), "a*", "b*")


def _hues(level: float, plot: svg.Plot, paths: Sequence[Any]) -> str:
    """Draw the colours of one L* inside the outlines, pale, as a picture behind them."""
    n = 88
    (a0, a1), (b0, b1) = plot.x_range, plot.y_range
    share = (np.arange(n) + 0.5) / n
    a, b = np.meshgrid(a0 + share * (a1 - a0), b1 - share * (b1 - b0))
    rgb, _ = pic.lab_to_srgb8(np.stack([np.full_like(a, level), a, b], axis=-1))
    mask = np.zeros((4 * n, 4 * n), np.uint8)
    for p in paths:
        xy = np.stack([(p[:, 0] - a0) / (a1 - a0), (b1 - p[:, 1]) / (b1 - b0)], axis=1) * 4 * n
        cv2.fillPoly(own := np.zeros_like(mask), [np.rint(xy).astype(np.int32)], 150)
        mask = np.maximum(mask, own)
    shade: Any = cv2.resize(mask, (n, n), interpolation=cv2.INTER_AREA)
    place: dict[str, Any] = {
        "x": plot.left,
        "y": plot.top,
        "width": plot.right - plot.left,
        "height": plot.bottom - plot.top,
    }
    uri = pic.png_uri(np.dstack([rgb, shade]))
    return svg.tag("image", href=uri, **place, preserveAspectRatio="none")


def view_figure(name: str, body: Any) -> str:
    """Show a body of colours (v, 3) from two sides, with the edges of sRGB as thin lines."""
    from ..colour.gamut import srgb_lab
    from ..colour.substrate import cube_surface

    places, triangles = cube_surface(_STEPS)
    both = np.concatenate([_view(body, srgb_lab(places), places, triangles, turn) for turn in (35.0, 215.0)], axis=1)
    h, w = both.shape[:2]
    return svg.drawing(
        "body", (0, 0, w, h), say("body_about", name), svg.tag("image", href=pic.png_uri(both), width=w, height=h)
    )


def _view(body: Any, screen: Any, places: Any, triangles: Any, turn: float) -> Any:
    """(H, W, 4) picture of a body of colours from one side, seen from somewhat above; L* upwards."""
    size, grain = 280, 2
    k = 1.22 * grain
    yaw, tilt = np.radians(turn), np.radians(22.0)

    def seen(lab: Any) -> tuple[Any, Any]:
        x = lab[:, 1] * np.cos(yaw) + lab[:, 2] * np.sin(yaw)
        away = -lab[:, 1] * np.sin(yaw) + lab[:, 2] * np.cos(yaw)
        up = (lab[:, 0] - 50) * 1.55 * np.cos(tilt) + away * np.sin(tilt)
        near = -away * np.cos(tilt) + (lab[:, 0] - 50) * 1.55 * np.sin(tilt)
        return np.stack([grain * size / 2 + k * x, grain * size / 2 - k * up], axis=1), near

    xy, near = seen(body)
    rgb, _ = pic.lab_to_srgb8(body[triangles].mean(axis=1))
    canvas = np.zeros((grain * size, grain * size, 4), np.uint8)
    for t in np.argsort(near[triangles].mean(axis=1)):
        colour = (*(int(v) for v in rgb[t]), 255)
        cv2.fillConvexPoly(canvas, np.rint(xy[triangles[t]] * 8).astype(np.int32), colour, cv2.LINE_8, 3)
    at, _ = seen(screen)
    on_edge = ((places == 0) | (places == 255)).sum(axis=1) >= 2
    for axis in range(3):
        fixed = [c for c in range(3) if c != axis]
        for corner in ((0.0, 0.0), (0.0, 255.0), (255.0, 0.0), (255.0, 255.0)):
            pick = on_edge & (places[:, fixed] == corner).all(axis=1)
            edge = np.rint(at[pick][np.argsort(places[pick, axis])] * 8).astype(np.int32)
            cv2.polylines(canvas, [edge], False, (125, 125, 125, 255), 2, cv2.LINE_AA, 3)
    return cv2.resize(canvas, (size, size), interpolation=cv2.INTER_AREA)


def grey_curves(ordered: Sequence[Substrate], *, density: bool) -> str:
    """Lightness or visual density of the printed greys over their device value."""
    from ..ground.cielab import density_from_lightness

    at = np.linspace(0, 255, 52)
    curves = [s.lab_of(np.repeat(at[:, None], 3, axis=1))[:, 0] for s in ordered]
    top = 100.0
    if density:
        curves = [np.asarray(density_from_lightness(np.maximum(c, 0.5))) for c in curves]
        top = max(1.0, math.ceil(4 * max(float(c.max()) for c in curves)) / 4)
    plot = svg.Plot((0, 255), (0, top))
    for k, c in enumerate(curves):
        plot.line(at.tolist(), c.tolist(), **_look(k))
    key = "density" if density else "L"
    return plot.svg(say("greys_about", key), say("axis", "grey"), say("axis", key), x_ticks=_GREY_TICKS)


def tint_figure(ordered: Sequence[Substrate]) -> str:
    """Tint of the printed greys, dark to light, in a* and b*."""
    known = [s.neutral_lab[:, 1:] for s in ordered if len(s.neutral_lab)]
    far = max([6.0, *(float(np.abs(p).max()) * 1.1 for p in known)])
    plot = svg.Plot((-far, far), (-far, far), 340.0, 300.0)
    for k, s in enumerate(ordered):
        for light, a, b in s.neutral_lab:
            plot.dot(a, b, f"dot d{k % 6}", r=3.2, title=f"{s.name}, L* {light:.0f}")
        if len(s.neutral_lab):
            a, b = s.neutral_lab[:, 1:].mean(axis=0)
            plot.add(svg.label(plot.x(a), plot.y(b) - 7, letter(k), "axis strong mid", at=13))
    return plot.svg(say("tints_about"), "a*", "b*")


# ---------------------------------------------------------------- step test


def _time_ticks(top: float) -> list[float]:
    step = next(s for s in (10, 20, 30, 60, 120, 300, 600, 1200, 2400) if top / s <= 7)
    return [float(k * step) for k in range(int(top // step) + 1)]


def _press(plot: svg.Plot, p: Pressed, y: float, *, hollow: bool = False, odd: bool = False) -> None:
    """Draw one press with its name under it."""
    x, at = plot.x(p.settings.time_s), plot.y(y)
    plot.add(svg.circle("point hollow" if hollow else "point", x, at, 4.5, title=say("press_title", p)))
    plot.add(svg.circle("allowed", x, at, 9) if odd else "", svg.label(x, at + 18, p.name))


def plateau_figure(plan: LadderPlan, fit: LadderFit) -> str:
    """Draw dye against time at the best temperature and pressure, with the answer marked."""
    s = fit.best.settings
    right = float(fit.times[-1])
    known = [p.density for p in fit.pressed if math.isfinite(p.density)]
    plot = svg.Plot((0.0, right), (0.0, 1.12 * max(*known, fit.plateau)), 460.0, 300.0)
    found = fit.status in ("found", "wide")
    if found:
        a, b = plot.x(max(fit.best.low_s, 0.0)), plot.x(min(fit.best.high_s, right))
        deep = plot.bottom - plot.top
        plot.add(svg.tag("rect", css="band", x=a, y=plot.top, width=max(b - a, 1), height=deep))
    times = fit.times.tolist()
    plot.band(times, fit.level_low.tolist(), fit.level_high.tolist())
    plot.line(times, fit.level.tolist(), "line")
    plot.line([0.0, right], [fit.plateau] * 2, "aimline")
    plot.add(svg.label(plot.left + 6, plot.y(fit.plateau) - 5, say("axis", "plateau"), "axis"))
    if plan.limits.time_s < right:
        plot.upright(plan.limits.time_s, text=say("axis", "limit"))
    if found:
        plot.upright(s.time_s, "answer")
        x = plot.x(s.time_s)
        side, gap = ("axis", 6) if x < 0.7 * plot.width else ("axis end", -6)
        plot.add(svg.label(x + gap, plot.bottom - 12, say("seconds_of", s.time_s), f"{side} strong", at=15))
    for p, odd in zip(fit.pressed, fit.odd, strict=True):
        here = (p.settings.temperature_c, p.settings.pressure) == (s.temperature_c, s.pressure)
        if math.isfinite(p.density):
            _press(plot, p, p.density, hollow=not here, odd=bool(odd))
    about = say("plateau_about", say("ladder_headline", fit))
    return plot.svg(about, say("axis", "time"), say("axis", "dye"), x_ticks=_time_ticks(right))


def harm_value(p: Pressed, kind: str) -> float:
    """Give what shows a harm: b* of the bare coat, its largest local rise, or the width of edges in mm."""
    return {"yellow": p.yellow_b, "scorch": p.scorch_b, "edges": p.edge_mm}[kind]


def harm_figure(fit: LadderFit, kind: str) -> str:
    """Draw what may suffer against time."""
    values = [(p, v) for p in fit.pressed if math.isfinite(v := harm_value(p, kind))]
    low, high = min(v for _, v in values), max(v for _, v in values)
    room = max(high - low, {"yellow": 1.5, "scorch": 1.5, "edges": 0.2}[kind])
    right = float(fit.times[-1])
    least = low - 0.2 * room if kind == "yellow" else max(low - 0.2 * room, 0.0)
    plot = svg.Plot((0.0, right), (least, low + 1.25 * room))
    for p, v in values:
        _press(plot, p, v)
    if fit.harm_s[kind][1] < right:
        plot.upright(fit.harm_s[kind][1], text=say("harm_from", fit.harm_s[kind][1]))
    unit, inches = say("axis", kind), say("axis", "edges_in") if kind == "edges" else ""
    about = say("harm_about", either(unit, inches) if inches else unit)
    return plot.svg(about, say("axis", "time"), unit, x_ticks=_time_ticks(right), y_inches=inches)


def surface_figure(plan: LadderPlan, fit: LadderFit) -> str:
    """Draw the best time at each temperature with its interval, and the presses as letters."""
    heats = [cast("float", r.settings.temperature_c) for r in fit.recipes]
    top = max([p.settings.time_s for p in fit.pressed] + [min(r.high_s, 1.5 * plan.time_s[1]) for r in fit.recipes])
    span = max(max(heats) - min(heats), 1.0)
    cap = 1.08 * top
    plot = svg.Plot((min(heats) - 0.3 * span, max(heats) + 0.25 * span), (0.0, cap), 460.0, 300.0)
    for k, pressure in enumerate(dict.fromkeys(r.settings.pressure for r in fit.recipes)):
        rs = [r for r in fit.recipes if r.settings.pressure == pressure]
        rs.sort(key=lambda r: r.settings.temperature_c or 0)
        xs = [float(r.settings.temperature_c or 0) for r in rs]
        ys = [min(r.settings.time_s, cap) for r in rs]
        if k == 0:
            plot.band(xs, [min(r.low_s, cap) for r in rs], [min(r.high_s, cap) for r in rs])
        plot.line(xs, ys, "aimline" if k else "line")
        if pressure and xs:
            plot.add(svg.label(plot.x(xs[0]) - 8, plot.y(ys[0]) + (12 if k else -2), pressure, "axis end"))
    for p, share in zip(fit.pressed, fit.share, strict=True):
        if p.settings.temperature_c is not None and math.isfinite(float(share)):
            x, y = plot.x(p.settings.temperature_c), plot.y(p.settings.time_s)
            plot.add(svg.circle("point", x, y, 3.5))
            plot.add(svg.label(x + 6, y + 4, f"{p.name} {number(100 * float(share), 0)} %", "axis", at=11))
    s = fit.best.settings
    if fit.status in ("found", "wide") and s.temperature_c is not None:
        plot.add(svg.circle("answer", plot.x(s.temperature_c), plot.y(s.time_s), 9))
    return plot.svg(say("surface_about"), say("axis", "heat"), say("axis", "time"), x_ticks=sorted(set(heats)))


# ---------------------------------------------------------------- press health


def frame_map(health: Health, family: FamilyHealth, frame: str, spots: Sequence[Common]) -> str:
    """Draw outlines of all pieces and their findings in one frame; shared places are ringed and numbered."""
    from ..faults.catalogue import family_of
    from ..shop.presshealth import in_frame

    around = []
    for p in health.pieces[-_ON_MAP:]:
        w, h = p.size_mm
        a = np.linspace(0, 2 * np.pi, 49)
        circle = np.stack([w / 2 + w / 2 * np.cos(a), h / 2 + h / 2 * np.sin(a)], axis=1)
        corners = np.array([[0, 0], [w, 0], [w, h], [0, h], [0, 0]], float)
        around.append(in_frame(circle if p.shape == "round" else corners, p, frame))
    (x0, y0), (x1, y1) = np.concatenate(around).min(axis=0), np.concatenate(around).max(axis=0)
    u = float(max(x1 - x0, y1 - y0)) / 100
    body = [svg.tag("path", css="grid", fill="none", d=svg.path_of(at)) for at in around]
    dots = [(p, s) for p in health.pieces for s in p.spots if family_of(s.kind) == family.family]
    for p, s in dots:
        x, y = in_frame(np.array([[s.x_mm, s.y_mm]]), p, frame)[0]
        body += [svg.circle("band", x, y, max(s.diameter_mm / 2, 1.6 * u))]
        body += [svg.circle("point", x, y, 1.1 * u, title=p.name)]
    box = (x0 - 3 * u, y0 - 8 * u, x1 - x0 + 6 * u, y1 - y0 + 22 * u)
    here = [(k, c) for k, c in enumerate(spots, 1) if c.frame == frame and family_of(c.kind) == family.family]
    rings = [max(0.5 * c.diameter_mm + 2 * u, 4 * u) for _, c in here]
    best = [(c.x_mm + 0.75 * r + 2 * u, c.y_mm - 0.75 * r - 2 * u) for (_, c), r in zip(here, rings, strict=True)]
    places, size = svg.free_places(best, 3.6 * u, (box[0], y0, box[2], y1 - y0))
    for (k, c), r, at in zip(here, rings, places, strict=True):
        body += [svg.haloed("circle", "ink", cx=c.x_mm, cy=c.y_mm, r=r), svg.badge(*at, size, k)]
    body.append(svg.tag("path", css="zero", d=f"M{-2 * u:.1f} 0H{2 * u:.1f}M0 {-2 * u:.1f}V{2 * u:.1f}"))
    ends = (y0 - 2.5 * u, y1 + 6 * u)
    body += [
        svg.label((x0 + x1) / 2, y, text, at=4.2 * u) for text, y in zip(items("frame_ends", frame), ends, strict=False)
    ]

    def scale(unit_mm: float, unit: str) -> str:
        room, foot = 30 * u / unit_mm, y1 + 12 * u
        round_ = 10.0 ** math.floor(math.log10(room))
        told = next(b for b in (5 * round_, 2 * round_, round_) if b <= room)
        bar = told * unit_mm
        d = f"M{x0:.1f} {foot - u:.1f}V{foot:.1f}H{x0 + bar:.1f}V{foot - u:.1f}"
        return svg.tag("path", css="tick", d=d) + svg.label(
            x0 + bar + 2 * u, foot, f"{told:g} {unit}", "axis", at=4.2 * u
        )

    body.append(either(scale(1.0, "mm"), scale(MM_PER_INCH, "in")))
    return svg.drawing("piece", box, say("frame_about", len(dots), len(health.pieces), frame), *body)


def bench_figure(c: Checked) -> str:
    """Draw what each check found, value ± twice its error, against its limit."""
    done = [k for k in c.checks if math.isfinite(k.value)]
    rows = [(say("bench_name", k.name), k.value / k.limit, 2 * k.std / k.limit, k) for k in done]
    top = min(4.0, max([1.3, *(v + (u if math.isfinite(u) else 0.0) for _, v, u, _ in rows)]))
    plot = svg.Plot((0.0, top), (0.0, 1.0))
    bottom = 6 + 36 * len(rows)
    drawn = [svg.line("aimline", plot.x(1), 4, plot.x(1), bottom)]
    for t in svg.nice_ticks(0.0, top, 4):
        drawn += [svg.line("grid", plot.x(t), 4, plot.x(t), bottom), svg.label(plot.x(t), bottom + 16, f"{t:g}")]
    for n, (name, v, u, k) in enumerate(rows):
        y = 28 + 36 * n
        low, high = max(v - u, 0.0), min(v + u, top)
        drawn.append(svg.label(plot.left, y - 9, name, "axis", at=13))
        if math.isfinite(u):
            drawn.append(svg.line("line", plot.x(low), y, plot.x(high), y))
        drawn.append(svg.circle("point", plot.x(min(v, top)), y, 5, title=say("bench_value", k)))
    box = (0, 0, plot.width, bottom + 38)
    names = svg.label(plot.width / 2, bottom + 34, say("bench_axis"))
    return svg.drawing("plot", box, say("bench_about", [r[0] for r in rows]), *drawn, names)


def range_figure(t: TrendLine, c: Chart) -> str:
    """Draw how far each value lies from the one before, with the mean and the upper limit."""
    n, least = len(c.ranges), 1.0 if c.scale == "log" else 0.0
    plot = svg.Plot((0.0, n + 2.0), (least, 1.08 * max(c.range_upper, *c.ranges)), 460.0, 180.0)
    for v, css in ((c.range_upper, "aimline"), (c.range_centre, "zero")):
        plot.line([0, n + 2], [v, v], css)
    xs = [float(k + 2) for k in range(n)]
    plot.line(xs, list(c.ranges), "line")
    for x, v, day in zip(xs, c.ranges, t.days[1:], strict=True):
        plot.dot(x, v, "point", r=3.0 if n <= 60 else 1.6, title=f"{day}: {number(v, 2)}")
    unit = say("range_unit", t.unit, c.scale == "log")
    return plot.svg(say("trend_about", say("range_title", t.name)), say("trend_axis", t.days), unit)


def trend_figure(t: TrendLine) -> str:
    """Draw a measure against the pieces in their order, with its limits and smoothed line."""
    n = len(t.values)
    known = [v for v in (*t.values, t.lower, t.upper) if math.isfinite(v)]
    low, high = min(known), max(known)
    room = (high - low) or 1.0
    plot = svg.Plot((0.0, n + 1.0), (max(low - 0.08 * room, min(low, 0.0)), high + 0.08 * room), 460.0, 220.0)
    for v, css in ((t.lower, "aimline"), (t.upper, "aimline"), (t.centre, "zero")):
        plot.line([0, n + 1], [v, v], css)
    xs = [float(k + 1) for k in range(n)]
    if t.smooth:
        plot.line(xs, list(t.smooth), "line")
    for k, v in enumerate(t.values):
        plot.dot(xs[k], v, "point", r=3.0 if n <= 60 else 1.6, title=f"{t.days[k]}: {number(v, 2)}")
        if k in t.outside:
            plot.dot(xs[k], v, "allowed", r=8)
    return plot.svg(say("trend_about", t.name), say("trend_axis", t.days), t.unit)
