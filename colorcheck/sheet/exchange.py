"""Measured colours as exchange text (the keyword form of ISO 28178), in and out.

Reading takes what instruments and spreadsheets really write, settles the scale of every column, and refuses
whatever does not add up: a wrong column is worse than no column, since it would be built into a camera.

Scales inside: device RGB 0 to 255; XYZ with Y = 100 for a perfect white, D50, 2° observer; CIELAB under D50;
spectral reflectance factor 0 to 1. The format was written from knowledge of files in use; no conformity with
the standard is claimed.
"""

from __future__ import annotations

import itertools
import os
import re
import warnings
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path
from typing import NoReturn

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..ground.cielab import lab_to_xyz, xyz_to_lab
from ..ground.errors import DataError
from ..ground.files import read_bytes, write_text

Floats = NDArray[np.float64]

MIN_ROWS = 6  # as many as the terms of the smallest useful camera model

_RGB = ("RGB_R", "RGB_G", "RGB_B")
_XYZ = ("XYZ_X", "XYZ_Y", "XYZ_Z")
_LAB = ("LAB_L", "LAB_A", "LAB_B")
_RGB_MAXIMUM = "DEVICE_RGB_MAXIMUM"  # own keyword, declared in the file: the value that stands for 255
_PLAIN_KEYWORDS = frozenset(
    {"ORIGINATOR", "FILE_DESCRIPTOR", "DESCRIPTOR", "CREATED", "MANUFACTURER", "PROD_DATE", "SERIAL"}
    | {"MATERIAL", "INSTRUMENTATION", "MEASUREMENT_SOURCE", "PRINT_CONDITIONS", "SAMPLE_BACKING", "FILTER"}
    | {"WEIGHTING_FUNCTION", "COMPUTATIONAL_PARAMETER", "POLARIZATION", "TARGET_TYPE"}
)
_STRUCTURE = frozenset(
    {"KEYWORD", "NUMBER_OF_FIELDS", "NUMBER_OF_SETS"}
    | {"BEGIN_DATA_FORMAT", "END_DATA_FORMAT", "BEGIN_DATA", "END_DATA"}
)
_SPECTRAL = re.compile(r"(?:(?:SPECTRAL|SPEC)_?(?:NM)?_?|NM_?)([0-9]{3,4}(?:\.[0-9]+)?)(?:_?NM)?")
_TOKEN = re.compile(r'"((?:[^"]|"")*)"(?=\s|$)|(")(.*)|(\S+)')
_NUMBER = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]{1,3})?")
_COMMA_NUMBER = re.compile(r"[+-]?[0-9]+,[0-9]+(?:[eE][+-]?[0-9]{1,3})?")
_PLAIN_WORD = re.compile(r"[A-Za-z0-9_.:+-]+")
_KEY = re.compile(r"[A-Z][A-Z0-9_]*")

# Differences (ΔE*ab) beyond which two columns of one file do not describe the same colour. XYZ rounded to one
# decimal moves a black by up to 2; two tables of spectral weights differ by up to 0.5.
_PAIR_MEDIAN, _PAIR_MAX = 1.0, 5.0
_SPECTRAL_MEDIAN, _SPECTRAL_MAX = 2.0, 8.0


@dataclass(frozen=True, slots=True, eq=False)
class Measurements:
    """Colours measured with an instrument, one row a sample.

    Attributes
    ----------
    ids : tuple of str, length n
        SAMPLE_ID of every row, unique.
    xyz : ndarray, shape (n, 3)
        XYZ, Y = 100 for a perfect white, D50, 2° observer. Computed where the file does not hold it.
    lab : ndarray, shape (n, 3)
        CIELAB under D50. Computed where the file does not hold it.
    device_rgb : ndarray, shape (n, 3), or None
        RGB as sent to the printer, 0 to 255.
    spectra : ndarray, shape (n, m), or None
        Reflectance factor, 0 to 1.
    wavelengths_nm : ndarray, shape (m,), or None
        Wavelengths of `spectra`, rising, evenly spaced.
    header : mapping of str to str
        Keywords and their values; several lines under one keyword are joined by ``"; "``.
    notes : tuple of str
        What was assumed, rescaled or left out.
    """

    ids: tuple[str, ...]
    xyz: Floats
    lab: Floats
    device_rgb: Floats | None = None
    spectra: Floats | None = None
    wavelengths_nm: Floats | None = None
    header: Mapping[str, str] = field(default_factory=dict)
    notes: tuple[str, ...] = ()


@dataclass(slots=True, eq=False)
class _Table:
    """One data table as text."""

    header: dict[str, str] = field(default_factory=dict)
    fields: list[str] = field(default_factory=list)
    rows: list[list[str]] = field(default_factory=list)


def measurements_from_lab(
    ids: Sequence[str],
    lab: ArrayLike,
    *,
    device_rgb: ArrayLike | None = None,
    header: Mapping[str, str] | None = None,
) -> Measurements:
    """Measurements of which only CIELAB is known, with XYZ filled in.

    Parameters
    ----------
    ids : sequence of str, length n
        Sample names.
    lab : array_like, shape (n, 3)
        CIELAB under D50.
    device_rgb : array_like, shape (n, 3), optional
        RGB as sent to the printer, 0 to 255.
    header : mapping of str to str, optional
        Keywords to write with them.

    Returns
    -------
    Measurements
    """
    values = np.array(lab, np.float64).reshape(-1, 3)
    return Measurements(
        ids=tuple(ids),
        xyz=np.asarray(lab_to_xyz(values) * 100.0, np.float64),
        lab=values,
        device_rgb=None if device_rgb is None else np.array(device_rgb, np.float64).reshape(-1, 3),
        header=dict(header or {}),
    )


# ---- text to table ----------------------------------------------------------------------------------------


def _shown(text: str) -> str:
    """Quote text from a file, cut short and printable."""
    plain = "".join(c if c.isprintable() else "?" for c in text[:31])
    return f"'{plain[:30]}…'" if len(text) > 30 else f"'{plain}'"


def _load(path: Path) -> str:
    """Text of the file: UTF-8, UTF-16 with a byte order mark, else Latin-1; line ends made one kind."""
    name = path.name
    data = read_bytes(path, todo="give the file with the measured values")
    if not data.strip():
        raise DataError(f"{name} is empty", "export the measured values again")
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        text = data.decode("utf-16", errors="replace")
    else:
        data = data.removeprefix(b"\xef\xbb\xbf")
        try:
            text = data.decode("utf-8")
        except UnicodeDecodeError:
            text = data.decode("latin-1")
    text = text.rstrip("\x1a\x00")
    controls = sum(text.count(chr(c)) for c in range(32) if chr(c) not in "\t\n\r\f\x0b\x1a")
    if "\x00" in text or controls > 0.01 * len(text):
        raise DataError(f"{name} is not text", "give measured values as ISO 28178 text")
    return text.replace("\r\n", "\n").replace("\r", "\n")


def _tokens(line: str) -> tuple[list[str], bool, bool]:
    """Words of a line, whether the first one was quoted, and whether a quote was left open."""
    if '"' not in line and "#" not in line:
        return line.split(), False, False
    words: list[str] = []
    first_quoted = False
    for match in _TOKEN.finditer(line):
        quoted, opened, rest, plain = match.groups()
        if plain is not None:
            if plain.startswith("#"):
                break
            words.append(plain)
        elif opened:
            return [*words, rest], first_quoted, True
        else:
            first_quoted = first_quoted or not words
            words.append(quoted.replace('""', '"'))
    return words, first_quoted, False


def _tables(text: str, name: str) -> list[_Table]:
    """Read every table of the text; the keywords of earlier ones hold for later ones too."""
    if text.lstrip().startswith("<"):
        raise DataError(f"{name} is XML or HTML", "export the measured values as text, ISO 28178 keyword form")
    if not re.search(r"(?im)^\s*BEGIN_DATA(_FORMAT)?\b", text):
        raise DataError(
            f"{name} is not ISO 28178 text: there is no BEGIN_DATA_FORMAT or BEGIN_DATA",
            "export the measured values in that form",
        )
    tables: list[_Table] = []
    table = _Table()
    state = "header"
    pending: list[str] = []
    begun = first_count = 0
    at_top = True
    for number, line in enumerate(text.split("\n"), start=1):
        words, first_quoted, left_open = _tokens(line)
        if not words:
            continue
        word = "" if first_quoted else words[0].upper()
        if at_top:
            at_top = False
            if word not in _PLAIN_KEYWORDS | _STRUCTURE:
                continue  # the sheet type
        if left_open and state != "header":
            raise DataError(f"{name}, line {number}: a quotation mark is not closed", "correct the file")
        if state == "format":
            if "END_DATA_FORMAT" in (upper := [w.upper() for w in words]):
                table.fields += upper[: upper.index("END_DATA_FORMAT")]
                state = "header"
            elif word in {"BEGIN_DATA", "END_DATA", "BEGIN_DATA_FORMAT"}:
                raise DataError(f"{name}, line {number}: END_DATA_FORMAT is missing", "correct the file")
            else:
                table.fields += upper
        elif state == "data":
            if word == "END_DATA":
                if pending:
                    _wrong_count(name, begun, first_count, len(table.fields))
                tables.append(table)
                kept = {k: v for k, v in table.header.items() if k not in _STRUCTURE}
                table = _Table(header=kept, fields=list(table.fields))
                state = "header"
                continue
            if not pending:
                begun, first_count = number, len(words)
            pending += words
            if len(pending) > len(table.fields):
                _wrong_count(name, begun, first_count, len(table.fields))
            if len(pending) == len(table.fields):
                table.rows.append(pending)
                pending = []
        elif word == "BEGIN_DATA_FORMAT":
            table.fields = [w.upper() for w in words[1:] if w.upper() != "END_DATA_FORMAT"]
            state = "header" if words[-1].upper() == "END_DATA_FORMAT" else "format"
        elif word == "BEGIN_DATA":
            if not table.fields:
                raise DataError(
                    f"{name}, line {number}: no BEGIN_DATA_FORMAT with column names comes before BEGIN_DATA",
                    "export the measured values again",
                )
            state = "data"
        elif word and word != "KEYWORD" and len(words) > 1 and _KEY.fullmatch(word):
            value = " ".join(words[1:])
            known = table.header.get(word)
            repeat = known is not None and word not in {"NUMBER_OF_FIELDS", "NUMBER_OF_SETS"}
            table.header[word] = f"{known}; {value}" if repeat and known != value else value
    if state == "data":
        raise DataError(f"{name} ends before END_DATA, so rows may be missing", "export or copy it again")
    if state == "format":
        raise DataError(f"{name} ends before END_DATA_FORMAT", "export or copy it again")
    if not tables:
        raise DataError(f"{name} has no BEGIN_DATA, so it holds no values", "export the measured values again")
    return tables


def _wrong_count(name: str, line: int, found: int, wanted: int) -> NoReturn:
    """Say that a row has too many or too few values."""
    raise DataError(
        f"{name}, line {line}: {found} values for {wanted} columns",
        "look for a missing value, or a name with a blank that is not in quotation marks",
    )


def _check_counts(table: _Table, name: str) -> None:
    """Hold NUMBER_OF_FIELDS and NUMBER_OF_SETS against what is there."""
    for key, found, what in (
        ("NUMBER_OF_FIELDS", len(table.fields), "columns"),
        ("NUMBER_OF_SETS", len(table.rows), "rows"),
    ):
        stated = table.header.get(key)
        if stated is None:
            continue
        if not re.fullmatch(r"[0-9]{1,9}", stated):
            raise DataError(f"{name}: {key} is {_shown(stated)}, not a number", "correct the file")
        if int(stated) != found:
            raise DataError(
                f"{name}: {key} says {int(stated)} {what}, but there are {found}", "export or copy it again"
            )


# ---- table to columns -------------------------------------------------------------------------------------


@dataclass(slots=True, eq=False)
class _Reader:
    """A table being turned into columns; collects notes."""

    name: str
    table: _Table
    ids: tuple[str, ...] = ()
    notes: list[str] = field(default_factory=list)
    commas: bool = False
    points: bool = False

    def fail(self, what: str, todo: str) -> NoReturn:
        """Refuse the file."""
        raise DataError(f"{self.name}: {what}", todo)

    def numbers(self, columns: Sequence[str]) -> Floats:
        """Read columns as finite numbers, shape (n, len(columns))."""
        where = [self.table.fields.index(c) for c in columns]
        values = np.empty((len(self.table.rows), len(columns)))
        for i, row in enumerate(self.table.rows):
            for j, k in enumerate(where):
                word = row[k]
                if _NUMBER.fullmatch(word):
                    self.points = self.points or "." in word
                elif _COMMA_NUMBER.fullmatch(word):
                    self.commas = True
                    word = word.replace(",", ".")
                else:
                    kind = "not finite" if re.fullmatch(r"[+-]?(nan|inf.*)", word.lower()) else "not a number"
                    self.fail(
                        f"sample {_shown(self.ids[i])}: {columns[j]} is {_shown(word)}, {kind}",
                        "measure it again or take the row out",
                    )
                values[i, j] = float(word)
        if self.commas and self.points:
            self.fail("decimal commas and decimal points are mixed", "export it with decimal points")
        if not np.isfinite(values).all():
            i, j = np.argwhere(~np.isfinite(values))[0]
            self.fail(f"sample {_shown(self.ids[i])}: {columns[j]} is too large", "correct the file")
        return values

    def triple(self, columns: Sequence[str]) -> Floats | None:
        """Read three columns that belong together, None when none of them is there."""
        present = [c for c in columns if c in self.table.fields]
        if not present:
            return None
        if len(present) < 3:
            missing = ", ".join(c for c in columns if c not in present)
            self.fail(f"column {missing} is missing beside {', '.join(present)}", "export all three")
        return self.numbers(columns)

    def row(self, index: int) -> str:
        """Name a row."""
        return f"sample {_shown(self.ids[int(index)])}"


def _read_ids(reader: _Reader, min_rows: int) -> None:
    """Sample names: there, unique, enough."""
    table = reader.table
    key = "SAMPLE_ID" if "SAMPLE_ID" in table.fields else "SAMPLE_NAME"
    if key not in table.fields:
        reader.fail("there is no SAMPLE_ID column", "export it with sample names that match the target")
    if key == "SAMPLE_NAME":
        reader.notes.append("there is no SAMPLE_ID column; SAMPLE_NAME was taken")
    column = table.fields.index(key)
    ids = tuple(row[column].strip() for row in table.rows)
    seen: set[str] = set()
    for i, sample in enumerate(ids):
        if not sample:
            reader.fail(f"row {i + 1} has no {key}", "give every row a name")
        if sample in seen:
            reader.fail(f"{key} {_shown(sample)} occurs twice", "give every row its own name")
        seen.add(sample)
    if len(ids) < min_rows:
        rows = f"{len(ids)} row" + ("" if len(ids) == 1 else "s")
        reader.fail(f"only {rows} of values, at least {min_rows} are needed", "measure more cells")
    reader.ids = ids


def _scale_rgb(reader: _Reader, rgb: Floats) -> Floats:
    """Bring device RGB to 0 to 255; whole numbers where the file meant whole numbers."""
    low, high = float(rgb.min()), float(rgb.max())
    if low < 0.0:
        reader.fail(f"RGB goes down to {low:g}", "check that RGB_R, RGB_G, RGB_B are the printed values")
    stated = reader.table.header.get(_RGB_MAXIMUM)
    if stated is not None:
        if stated not in {"1", "100", "255", "65535"}:
            reader.fail(f"{_RGB_MAXIMUM} is {_shown(stated)}", "give 1, 100, 255 or 65535")
        top = float(stated)
    elif high > 255.0:
        reader.fail(f"RGB goes up to {high:g}", "give RGB from 0 to 255, or from 0 to 100")
    elif high <= 1.0 and high > 0.0 and len(rgb) > 1:
        top = 1.0
    elif abs(high - 100.0) < 0.05:
        top = 100.0
    else:
        top = 255.0
        if high <= 100.0:
            reader.notes.append(f"RGB goes up to {high:g} only; taken as 0 to 255")
    if high > top:
        reader.fail(f"RGB goes up to {high:g} although {_RGB_MAXIMUM} is {top:g}", "correct the file")
    if top == 255.0:
        return rgb
    scaled = rgb * (255.0 / top)
    whole = np.rint(scaled)
    reader.notes.append(f"RGB from 0 to {top:g} was brought to 0 to 255")
    return np.asarray(whole if np.abs(scaled - whole).max() < 0.06 else scaled, np.float64)


def _check_lab(reader: _Reader, lab: Floats) -> None:
    """Refuse CIELAB that no print can have."""
    lightness = lab[:, 0]
    for bad, what in (
        (lightness < -0.5, "LAB_L is below 0"),
        (lightness > 105.0, "LAB_L is above 100"),
        (np.abs(lab[:, 1:]).max(axis=1) > 130.0, "LAB_A or LAB_B is beyond ±130"),
    ):
        if bad.any():
            reader.fail(
                f"{reader.row(int(np.argmax(bad)))}: {what}",
                "check for swapped columns or another scale of Lab",
            )
    if len(lab) > 1 and lightness.max() <= 1.5:
        reader.fail(f"LAB_L goes up to {lightness.max():.2g} only", "give L* from 0 to 100")


def _check_xyz(reader: _Reader, xyz: Floats, lab: Floats | None) -> None:
    """Refuse XYZ of another scale, impossible values and swapped columns."""
    for bad, what in (
        ((xyz[:, 1] < -0.01) | (xyz.min(axis=1) < -0.5), "XYZ is negative"),
        ((xyz[:, 1] > 120.0) | (xyz.max(axis=1) > 150.0), "XYZ is far above a perfect white"),
    ):
        if bad.any():
            reader.fail(
                f"{reader.row(int(np.argmax(bad)))}: {what}",
                "check for swapped columns; the scale is Y = 100 for white",
            )
    brightest = xyz[np.argmax(xyz[:, 1])]
    if brightest[1] <= 1.6 and (lab is None or lab[:, 0].max() > 20.0):
        reader.fail(f"XYZ_Y goes up to {brightest[1]:.3g} only", "give XYZ with Y = 100 for white, not 1")
    if lab is None and brightest[1] > 40.0:
        # The lightest cell of a target is the bare coat, near neutral. Is it so only in another order?
        orders = np.array(list(itertools.permutations(brightest)))
        chroma = np.hypot(*np.asarray(xyz_to_lab(orders / 100.0))[:, 1:].T)
        if chroma[0] > 9.0 and chroma[1:].min() < min(6.0, 0.6 * chroma[0]):
            reader.fail(
                "the lightest sample is neutral only with the XYZ columns in another order",
                "check for swapped columns",
            )


def _compare(reader: _Reader, first: Floats, second: Floats, *, what: str, median: float, most: float) -> None:
    """Refuse two sets of CIELAB of the same samples that disagree."""
    difference = np.sqrt(((first - second) ** 2).sum(axis=1))
    worst = int(np.argmax(difference))
    if np.median(difference) > median or difference[worst] > most:
        reader.fail(
            f"{what} disagree by {np.median(difference):.1f} ΔE*ab (median), {difference[worst]:.1f} at"
            f" {reader.row(worst)}",
            "check for swapped columns, another light than D50, or media-relative beside absolute values",
        )


def _check_order(reader: _Reader, rgb: Floats, lab: Floats) -> None:
    """Refuse colours that run against the device RGB beside them."""
    if len(rgb) < 20:
        return
    drives = np.stack([rgb @ [0.3, 0.59, 0.11], rgb[:, 0] - rgb[:, 1], rgb @ [0.5, 0.5, -1.0]])
    if drives.std(axis=1).min() == 0.0 or lab.std(axis=0).min() == 0.0:
        return
    r = np.corrcoef(drives, lab.T)[:3, 3:]
    if r[0, 0] < -0.5:
        reader.fail("the samples get darker as RGB rises", "check that RGB and colours belong together")
    if r[1, 2] + r[2, 1] - r[1, 1] - r[2, 2] > 1.0:
        reader.fail("a* and b* fit the RGB only when exchanged", "check for swapped LAB_A and LAB_B")


def _check_conditions(reader: _Reader, has_spectra: bool) -> bool:
    """Say whether XYZ and Lab are under D50 and the 2° observer as far as the keywords tell."""
    header = reader.table.header
    keys = [k for k in header if re.search("ILLUMIN|OBSERVER|WEIGHTING_FUNCTION", k)]
    # The source of the instrument is not the light of the sums: it counts only where nothing else is said.
    said = "; ".join(f"{k} {header[k]}" for k in keys) or header.get("MEASUREMENT_SOURCE", "")
    light = re.search(r"(?i)\bD\s?(?:55|65|75|93)\b|\bFL?\s?\d{1,2}\b|\bILLUMIN\w*\W{1,3}[ABCE]\b", said)
    angle = re.search(r"(?i)OBSERVER\w*\W{0,4}(?:CIE\s?)?(?:10|1964)\b", said)
    odd = light or angle
    if not odd:
        return True
    if not has_spectra:
        reader.fail(f"its keywords say {_shown(odd.group(0))}", "export the values for D50 and the 2° observer")
    reader.notes.append(f"the keywords say {_shown(odd.group(0))}; XYZ and Lab were computed from the spectra")
    return False


def _read_spectra(reader: _Reader) -> tuple[Floats | None, Floats | None]:
    """Spectra 0 to 1 and their wavelengths, sorted, evenly spaced."""
    names: dict[float, str] = {}
    for column in reader.table.fields:
        match = _SPECTRAL.fullmatch(column)
        if match:
            at = float(match[1])
            if at in names:
                reader.fail(f"two columns hold {at:g} nm", "export the spectra once")
            names[at] = column
    if not names:
        return None, None
    waves = np.array(sorted(names))
    spacing = np.diff(waves)
    if len(waves) < 3 or np.ptp(spacing) > 0.02 * spacing[0] + 0.1 or spacing[0] > 20.5:
        reader.fail("the spectral columns are not evenly spaced by 20 nm or less", "export whole spectra")
    if waves[0] > 410.0 or waves[-1] < 690.0:
        reader.fail(f"the spectra run from {waves[0]:g} to {waves[-1]:g} nm", "export at least 400 to 700 nm")
    values = reader.numbers([names[w] for w in waves])
    if values.max() > 10.0:
        values = values / 100.0
        reader.notes.append("spectra in per cent were brought to 0 to 1")
    if values.max() > 1.5 or values.min() < -0.02:
        reader.fail(
            f"the spectra run from {values.min():.3g} to {values.max():.3g}",
            "give the reflectance factor from 0 to 1, or in per cent",
        )
    return values, waves


# ---- spectra to XYZ ---------------------------------------------------------------------------------------


@lru_cache(maxsize=8)
def _weights(waves: tuple[float, ...]) -> Floats:
    """Weights (m, 3) with ``xyz = spectra @ weights``, D50 and CIE 1931 2° observer, Y = 100."""
    with warnings.catch_warnings(), np.printoptions():
        warnings.simplefilter("ignore")
        import colour

        observer = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"]
        light = colour.SDS_ILLUMINANTS["D50"]
        w = np.array(waves)
        step = round(float(w[1] - w[0]), 3)
        inside = (w >= 360.0) & (w <= 780.0)
        weights = np.zeros((len(w), 3))
        if step in {5.0, 10.0, 20.0} and np.allclose(w % step, 0.0):
            # ASTM E308 is linear in the spectrum: one call for every wavelength gives the whole table.
            used = w[inside]
            weights[inside] = [
                colour.sd_to_XYZ(colour.SpectralDistribution(unit, used), observer, light, method="ASTM E308")
                for unit in np.eye(len(used))
            ]
            return weights
    from scipy.interpolate import CubicSpline

    fine = np.arange(360.0, 781.0)
    product = observer.values[:421] * np.interp(fine, light.wavelengths, light.values)[:, None]
    # Beyond the ends the last value holds, as in ASTM E308.
    spread = CubicSpline(w, np.eye(len(w)))(np.clip(fine, w[0], w[-1]))
    return np.asarray(100.0 / product[:, 1].sum() * spread.T @ product, np.float64)


def spectra_to_xyz(spectra: ArrayLike, wavelengths_nm: ArrayLike) -> Floats:
    """XYZ of reflectance spectra under D50 for the 2° observer.

    Parameters
    ----------
    spectra : array_like, shape (n, m)
        Reflectance factor, 0 to 1.
    wavelengths_nm : array_like, shape (m,)
        Rising, evenly spaced wavelengths, nm.

    Returns
    -------
    ndarray, shape (n, 3)
        XYZ, Y = 100 for a perfect white.

    Notes
    -----
    Steps of 5, 10 and 20 nm follow ASTM E308 as colour-science implements it (weights of ASTM E2022; beyond
    the measured range the last value holds). Other steps are brought to 1 nm by a cubic spline and summed
    (CIE 15). colour-science is imported on the first call.
    """
    waves = tuple(float(w) for w in np.asarray(wavelengths_nm, np.float64))
    return np.asarray(np.asarray(spectra, np.float64) @ _weights(waves), np.float64)


# ---- the two public ways ----------------------------------------------------------------------------------


def _columns(reader: _Reader, min_rows: int) -> Measurements:
    """Turn a table into checked columns."""
    table = reader.table
    _check_counts(table, reader.name)
    for i, column in enumerate(table.fields):
        if column in table.fields[:i]:
            reader.fail(f"column {_shown(column)} occurs twice", "export it once")
    _read_ids(reader, min_rows)
    rgb, xyz, lab = (reader.triple(columns) for columns in (_RGB, _XYZ, _LAB))
    spectra, waves = _read_spectra(reader)
    if xyz is None and lab is None and spectra is None:
        reader.fail("it has no XYZ, Lab or spectral columns", "export one of them")
    if rgb is not None:
        rgb = _scale_rgb(reader, rgb)
    if not _check_conditions(reader, spectra is not None):
        xyz = lab = None
    if lab is not None:
        _check_lab(reader, lab)
    if xyz is not None:
        _check_xyz(reader, xyz, lab)
    measured = None if xyz is None else np.asarray(xyz_to_lab(xyz / 100.0), np.float64)
    if measured is not None and lab is not None:
        _compare(reader, measured, lab, what="XYZ and Lab", median=_PAIR_MEDIAN, most=_PAIR_MAX)
    if spectra is not None and waves is not None:
        summed = spectra_to_xyz(spectra, waves)
        derived = np.asarray(xyz_to_lab(summed / 100.0), np.float64)
        told = lab if lab is not None else measured
        if told is not None:
            _compare(
                reader,
                derived,
                told,
                what="spectra and XYZ or Lab",
                median=_SPECTRAL_MEDIAN,
                most=_SPECTRAL_MAX,
            )
        elif xyz is None:
            xyz, measured = summed, derived
    if lab is None:
        lab = measured
    assert lab is not None
    if xyz is None:
        xyz = np.asarray(lab_to_xyz(lab) * 100.0, np.float64)
    if rgb is not None:
        _check_order(reader, rgb, lab)
    if reader.commas:
        reader.notes.append("decimal commas were read as points")
    return Measurements(
        ids=reader.ids,
        xyz=xyz,
        lab=lab,
        device_rgb=rgb,
        spectra=spectra,
        wavelengths_nm=waves,
        header={k: v for k, v in table.header.items() if k not in _STRUCTURE},
        notes=tuple(reader.notes),
    )


def _measurements(text: str, name: str, min_rows: int) -> Measurements:
    """Read the first table that holds colours."""
    tables = _tables(text, name)
    wanted = {*_XYZ, *_LAB}
    chosen = next(
        (t for t in tables if t.rows and any(f in wanted or _SPECTRAL.fullmatch(f) for f in t.fields)),
        tables[0],
    )
    reader = _Reader(name, chosen)
    if len(tables) > 1:
        reader.notes.append(f"table {tables.index(chosen) + 1} of {len(tables)} was read, the others left out")
    return _columns(reader, min_rows)


def read_measurements(path: str | os.PathLike[str], *, min_rows: int = MIN_ROWS) -> Measurements:
    """Read measured colours from ISO 28178 text.

    Parameters
    ----------
    path : path-like
        The file, up to 20 MB.
    min_rows : int
        Fewest samples that will do.

    Returns
    -------
    Measurements
        XYZ and Lab always filled: from each other, or from the spectra.

    Raises
    ------
    FileError
        The file does not exist or cannot be read.
    DataError
        It is not such text, is cut short, or its columns do not add up.
    """
    file = Path(path)
    return _measurements(_load(file), file.name, min_rows)


def _quoted(text: str) -> str:
    """Write text in quotation marks; marks inside are doubled, line ends become blanks."""
    plain = "".join(c if c.isprintable() else " " for c in text)
    return '"' + plain.replace('"', '""') + '"'


def _word(text: str) -> str:
    """Write a sample name, quoted unless it is a plain word that is no keyword."""
    return text if _PLAIN_WORD.fullmatch(text) and text.upper() not in _STRUCTURE else _quoted(text)


def _render(measurements: Measurements) -> str:
    """Text of the file."""
    m = measurements
    lines = ["ISO28178", "# XYZ: Y = 100 for a perfect white; XYZ and Lab: D50, 2 degree observer"]
    header = {"ORIGINATOR": "colorcheck"} | {
        k: v for k, v in m.header.items() if k not in _STRUCTURE and k != _RGB_MAXIMUM
    }
    header.setdefault("WEIGHTING_FUNCTION", "ILLUMINANT, D50; OBSERVER, 2 degree")
    if m.device_rgb is not None:
        header[_RGB_MAXIMUM] = "255"
    for key, value in header.items():
        if not _KEY.fullmatch(key):
            raise DataError(f"keyword {_shown(key)} cannot be written", "use capitals, digits and _ only")
        if key not in _PLAIN_KEYWORDS:
            lines.append(f'KEYWORD "{key}"')
        lines.append(f"{key} {_quoted(value)}")
    columns = ["SAMPLE_ID"]
    parts: list[list[list[str]]] = [[[_word(s)] for s in m.ids]]
    blocks: list[tuple[Sequence[str], Floats | None, str]] = [
        (_RGB, m.device_rgb, ".6g"),
        (_XYZ, m.xyz, ".6f"),
        (_LAB, m.lab, ".6f"),
    ]
    if m.spectra is not None and m.wavelengths_nm is not None:
        blocks.append(([f"SPECTRAL_NM{w:g}" for w in m.wavelengths_nm], m.spectra, ".7f"))
    for names, values, style in blocks:
        if values is None:
            continue
        if values.shape != (len(m.ids), len(names)):
            raise DataError(f"{names[0]} has shape {values.shape} for {len(m.ids)} samples", "correct the table")
        columns += names
        parts.append([[format(v, style) for v in row] for row in values.tolist()])
    lines += [f"NUMBER_OF_FIELDS {len(columns)}", "BEGIN_DATA_FORMAT", "\t".join(columns), "END_DATA_FORMAT"]
    lines += [f"NUMBER_OF_SETS {len(m.ids)}", "BEGIN_DATA"]
    lines += ["\t".join(itertools.chain.from_iterable(row)) for row in zip(*parts, strict=True)]
    return "\n".join([*lines, "END_DATA", ""])


def measurements_text(measurements: Measurements, name: str = "the table") -> str:
    """Measured colours as ISO 28178 text; DataError where `read_measurements` would not take it back."""
    text = _render(measurements)
    _measurements(text, name, 1)
    return text


def write_measurements(path: str | os.PathLike[str], measurements: Measurements) -> None:
    """Write measured colours as ISO 28178 text.

    Parameters
    ----------
    path : path-like
        The file to make or replace. It is written beside its place and renamed, so that a failure leaves
        what was there.
    measurements : Measurements
        What to write: RGB 0 to 255, XYZ and Lab to 1e-6, spectra to 1e-7, UTF-8.

    Raises
    ------
    DataError
        `read_measurements` would not take it back (NaN, duplicate names, impossible colours ...).
    FileError
        The file cannot be written.
    """
    write_text(path, measurements_text(measurements, Path(path).name))


def form_text(ids: Sequence[str], device_rgb: ArrayLike, centres_mm: ArrayLike, *, name: str) -> str:
    """List cells for whoever measures them, as ISO 28178 text without values yet.

    Parameters
    ----------
    ids : sequence of str, length n
    device_rgb : (n, 3)
        0 to 255.
    centres_mm : (n, 2)
        x, y of the cells' middles from the top left of the piece as its owner sees it; rows are listed from the top.
    name : str
        Of the target.

    Returns
    -------
    str
        `read_measurements` takes it when columns with the values have been added.
    """
    at = np.asarray(centres_mm, float)
    rgb = np.asarray(device_rgb, int)
    order = np.lexsort((at[:, 0], np.round(at[:, 1], 1)))
    rows = ["\t".join([_word(ids[k]), *map(str, rgb[k].tolist()), *(f"{v:.1f}" for v in at[k])]) for k in order]
    head = [
        "ISO28178",
        'ORIGINATOR "colorcheck"',
        f"FILE_DESCRIPTOR {_quoted(f'{name}, to be measured')}",
        'WEIGHTING_FUNCTION "ILLUMINANT, D50; OBSERVER, 2 degree"',
        f'KEYWORD "{_RGB_MAXIMUM}"',
        f"{_RGB_MAXIMUM} 255",
        "NUMBER_OF_FIELDS 6",
        "BEGIN_DATA_FORMAT",
        "\t".join(["SAMPLE_ID", *_RGB, "X_MM", "Y_MM"]),
        "END_DATA_FORMAT",
        f"NUMBER_OF_SETS {len(rows)}",
        "BEGIN_DATA",
    ]
    return "\n".join([*head, *rows, "END_DATA", ""])
