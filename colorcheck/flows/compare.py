"""Several readings → which substrate, for what: numbers, ties and ranks. The flow of `compare`, top to bottom.

A difference counts only when it exceeds k times its own standard uncertainty: k = 2 for two substrates, and for more
the factor that keeps *all* pairs together to one false alarm in twenty (Tukey's studentised range). What does not
count is a tie. A substrate's rank is one more than the number of those surely better, so ranks are shared, and
readings of one and the same substrate share the first.
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from ..colour.substrate import (
    Quantity,
    Substrate,
    cube_surface,
    devices_of,
    measure_substrate,
    occupied,
    share_inside,
)
from ..ground.cielab import linear_srgb_to_xyz
from ..ground.errors import DataError, FileError, PhotoError, TargetError, UsageError
from ..ground.records import CellFlag, CellKind, Floats, LinearImage, Target
from ..photo.decode import decode
from ..photo.rectify import lay_flat, sample_cells
from ..sheet.locate import locate
from ..sheet.savedreading import SavedReading, load_reading

PURPOSES = ("photos", "blacks", "window", "cost")
K = 2.0  # at the least
_SIGNIFICANCE = 0.05  # of all pairs together
_LIGHT_PIXELS = 2_500_000
_TONE_OF_CAMERA = 0.08  # of the logarithm: what a phone's own tone curve does to a ratio; estimate
_LOCK = 0.005  # shutter and lamp from one photo to the next, relative; estimate
_OPEN_PANEL = 0.05  # how far the uncovered panel may differ between the two photos


@dataclass(frozen=True, slots=True, eq=False)
class Cost:
    """Cost of one good piece, in whatever currency was given, and what went in."""

    per_good_piece: Quantity
    parts: dict[str, float]


@dataclass(frozen=True, slots=True, eq=False)
class LightShare:
    """Share of a light panel's light that passes the bare coat; ``seen_on`` 'white cells' or 'piece'."""

    share: Quantity
    seen_on: str
    files: tuple[str, str]


@dataclass(frozen=True, slots=True, eq=False)
class Place:
    """One line of a ranking; ``rank`` 0 where nothing was measured, ``tied`` names it cannot be told from."""

    rank: int
    name: str
    quantity: Quantity
    tied: tuple[str, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Ranking:
    """Substrates for one purpose, best first; ``k`` is how many standard uncertainties make a difference."""

    purpose: str
    measure: str
    less_is_better: bool
    k: float
    places: tuple[Place, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Comparison:
    """All that `compare` found.

    ``covers`` (n, n): share of the volume of the column's substrate that the row's reaches. ``notes`` are (what, names)
    to be put into words.
    """

    substrates: tuple[Substrate, ...]
    costs: dict[str, Cost]
    lights: dict[str, LightShare]
    rankings: dict[str, Ranking]
    purpose: str
    one_camera: bool
    covers: Floats
    notes: tuple[tuple[str, tuple[str, ...]], ...]


# ---------------------------------------------------------------- the flow


def compare(
    paths: Sequence[str | Path],
    *,
    names: Sequence[str] | None = None,
    purpose: str = "photos",
    same_setup: bool = False,
    costs: Mapping[str, Mapping[str, float | str]] | None = None,
    lights: Mapping[str, tuple[str, str]] | None = None,
    progress: Callable[[str], None] | None = None,
) -> Comparison:
    """Compare substrates by their saved readings.

    Parameters
    ----------
    paths : sequence of paths
        Readings, at least two.
    names : sequence of str, optional
        One for every reading; readings of one name are pooled. Without them the file names serve.
    purpose : {'photos', 'blacks', 'window', 'cost'}
    same_setup : bool
        Lamp, room and camera were left alone for all photos, so that smaller differences count.
    costs : mapping, optional
        For a name what one piece takes, see `cost_of`.
    lights : mapping, optional
        For a name two photos of a light panel: with the piece and without.
    progress : callable, optional
        Told in a word what is being done.

    Returns
    -------
    Comparison

    Raises
    ------
    UsageError
        One substrate only, a file twice, unknown names, or what the purpose needs is missing.
    DataError
        A file is no reading, or the readings cannot be compared.
    PhotoError
        The two photos of the light panel do not belong together.
    """
    say = progress or (lambda _: None)
    _check_files(paths)
    labels = _labels(paths, names)
    groups = list(dict.fromkeys(labels))
    _check_groups(groups, labels, purpose, costs or {}, lights or {})
    readings = [load_reading(p) for p in paths]
    _check_readings(readings)
    measured = []
    for n, name in enumerate(groups):
        say(f"measuring {name}")
        measured.append(
            measure_substrate(
                name,
                [r for r, k in zip(readings, labels, strict=True) if k == name],
                same_setup=same_setup,
                seed=n,
            )
        )
    own = {name: next(r for r, k in zip(readings, labels, strict=True) if k == name).target for name in groups}
    shares = {}
    for name, (with_piece, without) in (lights or {}).items():
        say(f"light through {name}")
        shares[name] = light_share(with_piece, without, target=own[name])
    spent = {name: cost_of(parts, name) for name, parts in (costs or {}).items()}
    alike = [_same_camera(a, b) for a in measured for b in measured]
    return Comparison(
        substrates=tuple(measured),
        costs=spent,
        lights=shares,
        rankings=_rankings(measured, spent, shares),
        purpose=purpose,
        one_camera=all(alike),
        covers=_covers(measured),
        notes=_notes(measured, readings, same_setup),
    )


def _labels(paths: Sequence[str | Path], names: Sequence[str] | None) -> list[str]:
    """Name of every reading's substrate."""
    if names is not None:
        if len(names) != len(paths):
            raise UsageError(
                f"--names gives {len(names)} names for {len(paths)} readings",
                "give one for each reading, in their order; readings of one substrate get the same name",
            )
        labels = [n.strip() for n in names]
        if not all(labels):
            raise UsageError("--names holds an empty name", "give one for each reading, separated by commas")
        return labels
    stems = [Path(p).stem for p in paths]
    if len(set(stems)) == len(stems):
        return stems
    return [f"{Path(p).resolve().parent.name}/{Path(p).stem}" for p in paths]


def _check_groups(
    groups: Sequence[str], labels: Sequence[str], purpose: str, costs: Mapping[str, Any], lights: Mapping[str, Any]
) -> None:
    if len(labels) < 2:
        raise UsageError("one reading alone cannot be compared", "give the readings of at least two substrates")
    if len(groups) < 2:
        raise UsageError(
            f"all {len(labels)} readings are named '{groups[0]}'", "give the readings of at least two substrates"
        )
    for option, given in (("--cost", costs), ("--light", lights)):
        for name in given:
            if name not in groups:
                raise UsageError(
                    f"{option} names '{name}', which is none of the substrates here", f"they are {', '.join(groups)}"
                )
    for wanted, option, given in (("cost", "--cost", costs), ("window", "--light", lights)):
        missing = [g for g in groups if g not in given]
        if purpose == wanted and missing:
            raise UsageError(
                f"--purpose {purpose} needs {option} for every substrate", f"it is missing for {', '.join(missing)}"
            )


def _check_files(paths: Sequence[str | Path]) -> None:
    there = [Path(p) for p in paths]
    for n, p in enumerate(there):
        for q in there[:n]:
            if p.exists() and q.exists() and p.samefile(q):
                raise UsageError(f"{p.name} is given twice", "give each reading once")


def _photo_hashes(reading: SavedReading) -> set[str]:
    photos = reading.data.get("photos")
    found = {str(p.get("sha256") or "") for p in photos if isinstance(p, dict)} if isinstance(photos, list) else set()
    return found - {""}


def _check_readings(readings: Sequence[SavedReading]) -> None:
    for n, r in enumerate(readings):
        doubt = np.concatenate([r.u_random, r.uncertainty])
        if np.abs(r.lab).max() > 500 or not np.isfinite(doubt).all() or doubt.min() < 0 or doubt.max() > 1000:
            raise DataError(f"{Path(r.path).name} is a damaged reading", "read the photo again")
        for q in readings[:n]:
            if _photo_hashes(r) & _photo_hashes(q):
                raise DataError(
                    f"{Path(q.path).name} and {Path(r.path).name} come from the same photo",
                    "give each photo's reading once",
                )
    raw_ones = [r for r in readings if r.data.get("printed") == "raw"]
    usual_ones = [r for r in readings if r.data.get("printed") != "raw"]
    if raw_ones and usual_ones:
        raw, usual = raw_ones[0], usual_ones[0]
        raise DataError(
            f"{Path(raw.path).name} was printed raw and {Path(usual.path).name} as usual, so they differ by the "
            "profile and not by the substrate alone",
            "compare sheets that were printed the same way",
        )
    for r in readings:
        good = len(np.unique(np.asarray(r.target.device_rgb)[r.usable], axis=0))
        if good < 12:
            raise DataError(
                f"{Path(r.path).name} has only {good} usable colours", "photograph the target again without reflections"
            )


def _notes(
    measured: Sequence[Substrate], readings: Sequence[SavedReading], same_setup: bool
) -> tuple[tuple[str, tuple[str, ...]], ...]:
    """List what limits the comparison."""
    out: list[tuple[str, tuple[str, ...]]] = []
    cameras = tuple(sorted({d for r in readings for d in devices_of(r)}))
    if len(cameras) > 1:
        out.append(("cameras differ", tuple(c or "one not named" for c in cameras)))
    elif cameras == ("",):
        out.append(("camera not named", ()))
    if not same_setup:
        out.append(("set-up may differ", ()))
    if len({s.trust for s in measured}) > 1:
        out.append(("trust differs", tuple(s.name for s in measured if s.trust == "balanced")))
    if not all(s.absolute for s in measured):
        out.append(("relative", tuple(s.name for s in measured if not s.absolute)))
    if len({s.layouts for s in measured}) > 1:
        out.append(("layouts differ", tuple(sorted({k for s in measured for k in s.layouts}))))
    if bound := tuple(s.name for s in measured if s.density_is_bound):
        out.append(("density is a bound", bound))
    if through := tuple(s.name for s in measured if s.through):
        out.append(("seen through glass", through))
    if unfit := tuple(s.name for s in measured if s.unfit):
        out.append(("unfit photo", unfit))
    if single := tuple(s.name for s in measured if len(s.files) == 1):
        out.append(("read once", single))
    return tuple(out)


# ---------------------------------------------------------------- differences and ranks


def _same_camera(a: Substrate, b: Substrate) -> bool:
    """Whether the camera's own errors are shared: one and the same camera, taught alike. Unnamed ones count as one."""
    return a.trust == b.trust and a.devices == b.devices


def difference_u(a: Quantity, b: Quantity, *, same_camera: bool, model_u: float = 0.0) -> float:
    """Give the standard uncertainty of the difference of two quantities.

    With the same camera its errors cancel as far as both are moved alike by every drawn camera; with two cameras
    they add.
    """
    if not same_camera:
        shared = math.hypot(a.u_system, b.u_system)
    elif a.shifts is not None and b.shifts is not None:
        shared = float(np.std(a.shifts - b.shifts))
    else:
        shared = abs(a.u_system - b.u_system)
    return float(math.sqrt(a.u_random**2 + b.u_random**2 + shared**2 + model_u**2))


def coverage_factor(count: int) -> float:
    """How many standard uncertainties of a difference make it real among ``count`` compared with one another.

    Returns
    -------
    float
        2 for two; more for more, so that one in twenty comparisons *as a whole* is wrong at the most: the
        5 % point of Tukey's studentised range with known variance, over √2 (J. W. Tukey, "The problem of multiple
        comparisons", 1953; the range's distribution after H. L. Harter, Ann. Math. Statist. 31, 1960).
    """
    if count <= 2:
        return K
    z = np.linspace(-8.0, 8.0, 801)
    density = np.exp(-(z**2) / 2) / math.sqrt(2 * math.pi)
    below = np.array([0.5 * math.erfc(-v / math.sqrt(2)) for v in z])
    low, high = 2.0, 12.0
    for _ in range(40):
        q = (low + high) / 2
        lower = np.array([0.5 * math.erfc(-(v - q) / math.sqrt(2)) for v in z])
        inside = count * float((density * (below - lower) ** (count - 1)).sum()) * (z[1] - z[0])
        low, high = (q, high) if inside < 1 - _SIGNIFICANCE else (low, q)
    return max(K, (low + high) / 2 / math.sqrt(2))


def rank(
    names: Sequence[str],
    values: Sequence[Quantity],
    doubt: Callable[[int, int], float],
    *,
    purpose: str,
    measure: str,
    less_is_better: bool = False,
) -> Ranking:
    """Rank by one quantity, ties shared.

    Parameters
    ----------
    names : sequence of str
    values : sequence of Quantity
        NaN where it was not measured: such come last, with rank 0.
    doubt : callable
        Standard uncertainty of the difference between two of them, by their places in ``names``.
    """
    sign = -1.0 if less_is_better else 1.0
    known = [n for n, q in enumerate(values) if math.isfinite(q.value)]
    k = coverage_factor(len(known))

    def better(a: int, b: int) -> bool:
        gap = sign * (values[a].value - values[b].value)
        return gap > k * doubt(a, b) and gap > 1e-9 * abs(values[a].value)

    places = []
    for n in known:
        others = [m for m in known if m != n]
        places.append(
            Place(
                rank=1 + sum(better(m, n) for m in others),
                name=names[n],
                quantity=values[n],
                tied=tuple(names[m] for m in others if not better(m, n) and not better(n, m)),
            )
        )
    places.sort(key=lambda p: (p.rank, -sign * p.quantity.value))
    order = {p.name: n for n, p in enumerate(places)}
    places = [replace(p, tied=tuple(sorted(p.tied, key=lambda t: order[t]))) for p in places]
    places += [Place(0, names[n], values[n], ()) for n in range(len(names)) if n not in known]
    return Ranking(purpose, measure, less_is_better, k, tuple(places))


def _rankings(
    measured: Sequence[Substrate], costs: Mapping[str, Cost], lights: Mapping[str, LightShare]
) -> dict[str, Ranking]:
    """Every ranking that the numbers allow."""
    names = [s.name for s in measured]

    def seen(values: Sequence[Quantity], extra: Callable[[int, int], float]) -> Callable[[int, int], float]:
        return lambda a, b: difference_u(
            values[a], values[b], same_camera=_same_camera(measured[a], measured[b]), model_u=extra(a, b)
        )

    def layout(a: int, b: int) -> float:
        one, two = measured[a], measured[b]
        return 0.0 if one.layouts == two.layouts else math.hypot(one.gamut_model_u, two.gamut_model_u)

    def plain(values: Sequence[Quantity]) -> Callable[[int, int], float]:
        return lambda a, b: math.hypot(values[a].u, values[b].u)

    volumes = [s.gamut_volume for s in measured]
    absolute = all(s.absolute for s in measured)
    blacks = [s.black_l_absolute if absolute else s.black_l for s in measured]
    out = {
        "photos": rank(names, volumes, seen(volumes, layout), purpose="photos", measure="gamut_volume"),
        "blacks": rank(
            names,
            blacks,
            seen(blacks, lambda *_: 0.0),
            purpose="blacks",
            measure="black_L_absolute" if absolute else "black_L",
            less_is_better=True,
        ),
    }
    nothing = Quantity(math.nan, math.nan)
    if lights:
        shares = [lights[n].share if n in lights else nothing for n in names]
        # both tone curves are those of one camera: what it does to the ratio is shared
        doubt = [replace(s, u_system=0.0) for s in shares]
        out["window"] = rank(names, shares, plain(doubt), purpose="window", measure="light_share")
    if costs:
        spent = [costs[n].per_good_piece if n in costs else nothing for n in names]
        out["cost"] = rank(
            names, spent, plain(spent), purpose="cost", measure="cost_per_good_piece", less_is_better=True
        )
    return out


def _covers(measured: Sequence[Substrate]) -> Floats:
    """Share of each one's colours that the others reach, (row reaches, of column)."""
    places, triangles = cube_surface(17)
    bodies = [occupied(s.lab_of(places), triangles) for s in measured]
    return np.array([[share_inside(of, by) for of in bodies] for by in bodies])


# ---------------------------------------------------------------- cost of a good piece

_COST_KEYS = {
    "blank": "price of one blank",
    "paper": "paper for one piece",
    "ink": "ink for one piece",
    "minutes": "work on one piece",
    "rate": "pay for an hour of work",
    "yield": "share of pieces that turn out well, such as 0.9 or 18/20",
    "target": "what the test target cost",
    "pieces": "how many pieces the target serves",
}


def read_costs(words: Sequence[str]) -> dict[str, dict[str, float | str]]:
    """Take costs from the command line or from a file.

    Parameters
    ----------
    words : sequence of str
        Each ``name=blank:1.20,paper:0.15,minutes:4,rate:20,yield:0.9``, or a TOML file with such a table for
        each name.

    Raises
    ------
    UsageError
        A word cannot be understood.
    FileError, DataError
        The file cannot be read, or holds something else.
    """
    out: dict[str, dict[str, float | str]] = {}
    for word in words:
        if "=" not in word:
            for name, parts in _cost_file(word).items():
                _once(out, name, parts)
            continue
        name, _, text = word.rpartition("=")
        parts = {}
        for piece in text.split(","):
            key, colon, value = piece.partition(":")
            if not colon:
                raise UsageError(
                    f"--cost: '{piece[:40]}' is no cost", "write it as blank:1.20, several separated by commas"
                )
            parts[key.strip()] = value.strip()
        _once(out, name.strip(), parts)
    return out


def _once(out: dict[str, dict[str, float | str]], name: str, parts: dict[str, float | str]) -> None:
    if name in out:
        raise UsageError(f"--cost names '{name}' twice", "give its costs once")
    out[name] = parts


def _cost_file(path: str) -> dict[str, dict[str, float | str]]:
    p = Path(path)
    todo = "give a TOML file with a table of costs for each substrate, or name=blank:1.20,…"
    try:
        data = tomllib.loads(p.read_text(encoding="utf-8"))
    except FileNotFoundError as e:
        raise FileError(f"there is no file {p}", todo) from e
    except OSError as e:
        raise FileError(f"{p} cannot be read ({e.strerror})", todo) from e
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as e:
        why = f" ({e})" if isinstance(e, tomllib.TOMLDecodeError) else ""
        raise DataError(f"{p.name} is not TOML{why}", todo) from e
    if not data or not all(isinstance(v, dict) for v in data.values()):
        raise DataError(f"{p.name} holds no tables of costs", todo)
    return data


def cost_of(parts: Mapping[str, float | str], name: str = "") -> Cost:
    """Cost of one good piece: (blank + paper + ink + minutes × hourly rate / 60) / yield + target / pieces.

    Parameters
    ----------
    parts : mapping
        Of ``blank`` (needed), ``paper``, ``ink``, ``minutes``, ``rate`` (an hour), ``yield`` (0–1, or '18/20'),
        ``target`` and the ``pieces`` it serves.
    name : str
        For the error line.

    Returns
    -------
    Cost
        Its doubt is that of the yield when counts were given: the standard deviation of a share after g good of n
        pieces with a flat prior, √(p(1 − p)/(n + 3)) with p = (g + 1)/(n + 2) (Bayes–Laplace).

    Raises
    ------
    UsageError
        A part is unknown, missing, or no sensible number.
    """
    of = f" of '{name}'" if name else ""
    unknown = [k for k in parts if k not in _COST_KEYS]
    if unknown:
        raise UsageError(f"unknown cost '{unknown[0][:40]}'{of}", f"known are {', '.join(_COST_KEYS)}")
    if "blank" not in parts:
        raise UsageError(f"the price of the blank{of} is missing", "add blank:PRICE")
    values = {k: _amount(k, v, of) for k, v in parts.items() if k != "yield"}
    good, p_std = _yield(parts.get("yield", 1.0), of)
    if values.get("pieces", 1.0) <= 0:
        raise UsageError(f"pieces{of} must be more than 0", "say how many pieces the target serves")
    spent = sum(values.get(k, 0.0) for k in ("blank", "paper", "ink"))
    spent += values.get("minutes", 0.0) * values.get("rate", 0.0) / 60.0
    total = spent / good + values.get("target", 0.0) / values.get("pieces", 1.0)
    return Cost(Quantity(total, spent / good**2 * p_std), {**values, "yield": good})


def _amount(key: str, value: float | str, of: str) -> float:
    try:
        number = float(value)
    except (TypeError, ValueError):
        number = math.nan
    if isinstance(value, bool) or not math.isfinite(number) or number < 0:
        raise UsageError(f"{key}{of} is '{str(value)[:20]}'", f"give a number: {_COST_KEYS[key]}")
    return number


def _yield(value: float | str, of: str) -> tuple[float, float]:
    """Share of good pieces and its standard deviation, 0 where no counts are given."""
    good, slash, whole = str(value).partition("/")
    try:
        if slash:
            g, n = int(good), int(whole)
            if 0 < g <= n:
                p = (g + 1) / (n + 2)
                return g / n, math.sqrt(p * (1 - p) / (n + 3))
        elif not isinstance(value, bool) and 0 < float(good) <= 1:
            return float(good), 0.0
    except ValueError:
        pass
    raise UsageError(f"yield{of} is '{str(value)[:20]}'", "give a share such as 0.9, or good of all such as 18/20")


# ---------------------------------------------------------------- light through the piece


def read_lights(words: Sequence[str]) -> dict[str, tuple[str, str]]:
    """Take ``name=with.jpg,without.jpg`` apart; a comma inside a file name is found by what exists."""
    out: dict[str, tuple[str, str]] = {}
    for word in words:
        name, equals, files = word.partition("=")
        cuts = [n for n, c in enumerate(files) if c == ","]
        pairs = [(files[:n].strip(), files[n + 1 :].strip()) for n in cuts]
        pairs = [p for p in pairs if p[0] and p[1]]
        if not equals or not name.strip() or not pairs:
            raise UsageError(f"--light: '{word[:60]}' is not understood", "write it as name=with.jpg,without.jpg")
        if name.strip() in out:
            raise UsageError(f"--light names '{name.strip()}' twice", "give its two photos once")
        there = [p for p in pairs if Path(p[0]).exists() and Path(p[1]).exists()]
        out[name.strip()] = (there or pairs)[0]
    return out


def light_share(with_piece: str | Path, without: str | Path, *, target: Target | None = None) -> LightShare:
    """Share of a light panel's light that passes a piece's bare coat.

    Parameters
    ----------
    with_piece, without : path
        Photos of the panel with the piece on it and without; camera, exposure and panel left alone.
    target : Target, optional
        Layout of the target pressed on the piece: its white cells are the bare coat. When it is not found in the
        photo, the brightest even part of the piece counts.

    Returns
    -------
    LightShare
        ``u_random`` from the spread over the piece and the shutter; ``u_system`` from the camera's unknown tone
        curve, none for raw files.

    Raises
    ------
    UsageError
        The same photo twice.
    PhotoError
        The photos differ in size or exposure, the panel is overexposed, or no piece is seen.
    """
    a, b = Path(with_piece), Path(without)
    if a.exists() and b.exists() and a.samefile(b):
        raise UsageError(f"{a.name} is given twice", "--light needs a photo with the piece and one without it")
    on, off = decode(a, max_pixels=_LIGHT_PIXELS), decode(b, max_pixels=_LIGHT_PIXELS)
    if on.sha256 == off.sha256:
        raise UsageError(f"{a.name} and {b.name} are the same photo", "give one with the piece and one without it")
    lock = "lock the exposure, leave the camera alone and take both photos again"
    if on.rgb.shape != off.rgb.shape:
        raise PhotoError(f"{a.name} and {b.name} differ in size", lock)
    for key in on.exposure.keys() & off.exposure.keys():
        one, two = on.exposure[key], off.exposure[key]
        if abs(one - two) > 0.02 * max(abs(one), abs(two)):
            what = key.replace("_", " ")
            raise PhotoError(f"{a.name} and {b.name} were not exposed alike ({what} {one:g} and {two:g})", lock)
    y_on, y_off = _blocks(on), _blocks(off)
    bright = float(np.percentile(y_off, 95))
    panel = y_off > 0.4 * bright
    if (_block_mean((off.clipped & 1).astype(np.float32)) > 0.02)[panel].mean() > 0.05:
        raise PhotoError(
            f"the light panel is overexposed in {b.name}", "expose so that the panel alone is just not white"
        )
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = np.where(panel, y_on / np.maximum(y_off, 1e-6), np.nan)
    _check_open_panel(ratio, a.name, b.name, bool(on.exposure.keys() & off.exposure.keys()), lock)
    found = _bare_of_target(on, off, target) if target is not None else None
    values, seen_on = found if found is not None else (_bare_of_piece(ratio, a.name), "piece")
    share = float(np.median(values))
    spread = float(1.4826 * np.median(np.abs(values - share))) / math.sqrt(min(len(values), 12))
    raw = on.kind == "raw" and off.kind == "raw"
    tone = 0.0 if raw else _TONE_OF_CAMERA * abs(math.log(max(share, 1e-3)))
    return LightShare(Quantity(share, math.hypot(spread, _LOCK * share), tone * share), seen_on, (a.name, b.name))


def _block_mean(plane: Any) -> Floats:
    """Mean over blocks of about a fortieth of the picture's longer side."""
    side = max(2, max(plane.shape) // 40)
    h, w = plane.shape[0] // side * side, plane.shape[1] // side * side
    cut = np.asarray(plane[:h, :w], dtype=float)
    return np.asarray(cut.reshape(h // side, side, w // side, side).mean(axis=(1, 3)))


def _blocks(image: LinearImage) -> Floats:
    """Luminance of a photo in blocks."""
    return _block_mean(image.rgb @ np.array([0.2126, 0.7152, 0.0722], dtype=np.float32))


def _check_open_panel(ratio: Floats, with_name: str, without_name: str, told: bool, lock: str) -> None:
    """Refuse photos in which the panel beside the piece is not equally bright, as far as it can be seen."""
    rim = np.concatenate([ratio[:2].ravel(), ratio[-2:].ravel(), ratio[:, :2].ravel(), ratio[:, -2:].ravel()])
    rim = rim[np.isfinite(rim)]
    if len(rim) < 12:
        return
    high = float(np.percentile(rim, 75))
    even = float(np.percentile(rim, 90) - np.percentile(rim, 60)) < 0.03 * high
    brighter = high > 1 + _OPEN_PANEL
    darker = even and not told and high < 1 - _OPEN_PANEL
    if brighter or darker:
        raise PhotoError(
            f"beside the piece the panel is {abs(high - 1) * 100:.0f} % {'brighter' if brighter else 'darker'} in "
            f"{with_name} than in {without_name}, so they were not exposed alike",
            lock if brighter else f"{lock}, with some bare panel in view",
        )


def _bare_of_target(on: LinearImage, off: LinearImage, target: Target) -> tuple[Floats, str] | None:
    """Light passing each white cell of the target, or None when the target is not found."""
    try:
        found = locate(on, target)
    except (TargetError, PhotoError):
        return None
    if found.pose.mirrored:
        off = replace(off, rgb=off.rgb[:, ::-1], clipped=off.clipped[:, ::-1])
    pair = []
    clear = target.kind == CellKind.WHITE
    for image in (found.image, off):
        cells = sample_cells(lay_flat(image, found.pose, target.size_mm), found.pose, target, image)
        clear = clear & ((cells.flags & int(CellFlag.CLIPPED | CellFlag.HIDDEN)) == 0)
        pair.append(np.asarray(linear_srgb_to_xyz(np.maximum(cells.rgb, 0.0)))[:, 1])
    if clear.sum() < 4:
        return None
    return pair[0][clear] / np.maximum(pair[1][clear], 1e-6), "white cells"


def _bare_of_piece(ratio: Floats, name: str) -> Floats:
    """Light passing the brightest even part of whatever lies on the panel."""
    covered = np.isfinite(ratio) & (ratio < 0.97)
    inner = cv2.erode(covered.astype(np.uint8), np.ones((3, 3), np.uint8)) > 0  # its rim is half panel
    there = ratio[inner]
    if len(there) < 8:
        raise PhotoError(f"no piece is seen on the light panel in {name}", "lay it in the middle of the panel")
    top = float(np.percentile(there, 80))
    return np.asarray(there[np.abs(there - top) < 0.04 * top])
