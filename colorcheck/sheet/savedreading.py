"""Results taken up again from their files: readings, and what was found on a piece."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated

import msgspec
import numpy as np

from ..ground import reader
from ..ground.errors import DataError, TargetError, UsageError
from ..ground.files import read_json, shaped
from ..ground.records import Floats, Lit, Mask, Target
from .target import KindInFile, LayoutFile, RgbInFile, from_layout

Place = Annotated[float, msgspec.Meta(ge=-1e6, le=1e6)]
Lab = tuple[float, float, float]
_SPOILED = {"clipped", "hidden", "glare", "uneven"}


class CellRow(msgspec.Struct, frozen=True):
    """What was measured in one cell; None for what could not be."""

    id: str
    device_rgb: RgbInFile
    lab: Lab
    uncertainty: float | None
    kind: KindInFile = "colour"
    u_random: float | msgspec.UnsetType | None = msgspec.UNSET
    density: float | None = None
    flags: list[str] = []
    uptake: float | None = None
    lab_absolute: Lab | None = None


class FindingRow(msgspec.Struct, frozen=True):
    """A finding of a reading or an inspection."""

    kind: str
    x_mm: Place | None = None
    y_mm: Place | None = None
    diameter_mm: float | None = None
    delta_e00: float | None = None
    where: str = ""


class InPhoto(msgspec.Struct, frozen=True):
    """Where in the photo the piece lay, and how far it was turned."""

    x_mm: Annotated[float, msgspec.Meta(ge=-1e4, le=1e4)]
    y_mm: Annotated[float, msgspec.Meta(ge=-1e4, le=1e4)]
    turn_deg: Annotated[float, msgspec.Meta(ge=-360, le=360)]


class PhotoRow(msgspec.Struct, frozen=True):
    """A photo that a result rests on."""

    file: str | None = None
    sha256: str | None = None
    device: str | None = None
    taken: str | None = None
    piece_in_photo: InPhoto | None = None


class PressRow(msgspec.Struct, frozen=True):
    """How the piece was pressed."""

    findings: list[FindingRow] = []
    evenness: float | None = None
    uncertainty: float | None = None
    edge_width_mm: float | None = None
    scorch_delta_b: float | None = None
    black_density: float | None = None


class ReasonRow(msgspec.Struct, frozen=True):
    """One step of a verdict."""

    measure: str
    outcome: str = ""
    place: str | None = ""


class VerdictRow(msgspec.Struct, frozen=True):
    """A verdict."""

    action: str = ""
    reasons: list[ReasonRow] = []
    undecided: list[str] = []


class LightingRow(msgspec.Struct, frozen=True):
    """What was found out about the light."""

    veil_std: float | None = None
    veil_known: bool = False


class GeometryRow(msgspec.Struct, frozen=True):
    """How the sheet lay in the photo."""

    px_per_mm: float | None = None


class ReadingFile(msgspec.Struct, frozen=True):
    """The file that `read` writes, as far as later commands take it up."""

    patches: list[CellRow]
    target: LayoutFile
    press: PressRow = PressRow()
    verdict: VerdictRow = VerdictRow()
    name: str = ""
    trust: str = "balanced"
    absolute: bool = False
    printed: str = "as-usual"
    lit: Lit = "front"
    photos: list[PhotoRow] = []
    lighting: LightingRow = LightingRow()
    bench: str = ""
    geometry: GeometryRow = GeometryRow()


class PieceShape(msgspec.Struct, frozen=True):
    """Size and shape of a piece."""

    size_mm: tuple[Annotated[float, msgspec.Meta(gt=0, le=5000)], Annotated[float, msgspec.Meta(gt=0, le=5000)]]
    shape: str = "rect"


class InspectionFile(PieceShape, frozen=True, kw_only=True):
    """The file that `inspect` writes, as far as later commands take it up."""

    findings: list[FindingRow]
    verdict: VerdictRow
    photos: list[PhotoRow] = []


class PressedFile(msgspec.Struct, frozen=True):
    """What a reading tells of its piece, without the colours."""

    target: PieceShape
    press: PressRow
    verdict: VerdictRow
    photos: list[PhotoRow] = []


@dataclass(frozen=True, slots=True, eq=False)
class SavedReading:
    """A reading taken up again from its file: columns over the cells of its target, in their order.

    ``file`` is the whole file, ``rows`` its cells.
    """

    name: str
    path: str
    trust: str
    absolute: bool
    target: Target
    lab: Floats
    u_random: Floats
    uncertainty: Floats
    usable: Mask
    file: ReadingFile
    rows: tuple[CellRow, ...]

    @property
    def devices(self) -> tuple[str, ...]:
        """Cameras named in its photos, each once; '' for one that is not named."""
        return tuple(dict.fromkeys(p.device or "" for p in self.file.photos)) or ("",)

    @property
    def u_system(self) -> Floats:
        """Part of the uncertainty that all cells share, (n,)."""
        return np.asarray(np.sqrt(np.maximum(self.uncertainty**2 - self.u_random**2, 0.0)))


def lit_words(lit: Lit) -> str:
    """Name the side that a piece is lit from, after 'lit'."""
    return "from behind" if lit == "behind" else "from the front"


def load_readings(paths: Sequence[str | Path], *, lit: Lit | None) -> list[SavedReading]:
    """Read reading files that belong together: from behind light passes the dye once, so that nothing compares.

    Parameters
    ----------
    paths : sequence of path
    lit : {'front', 'behind'}, optional
        From where all of them must be lit; None: from wherever, but alike.

    Raises
    ------
    FileError, DataError
        As for `load_reading`.
    UsageError
        They are lit from unlike sides, or not as asked.
    """
    readings = [load_reading(p) for p in paths]
    for r in readings:
        mine, first = r.file.lit, readings[0].file.lit
        if mine != first:
            raise UsageError(
                f"{Path(r.path).name} was read lit {lit_words(mine)}, {Path(readings[0].path).name} lit "
                f"{lit_words(first)}: light passes the dye once from behind and twice from the front",
                "give readings of one kind of light",
            )
        if lit is not None and mine != lit:
            raise UsageError(f"{Path(r.path).name} was read lit {lit_words(mine)}", _as_lit(mine))
    return readings


def _as_lit(lit: Lit) -> str:
    """Say how to ask for this light."""
    if reader.on_page():
        return f"choose that the piece is seen lit {lit_words(lit)}"
    return "add --lit behind" if lit == "behind" else "leave --lit behind away, or give a reading of a window photo"


def or_nan(value: float | None) -> float:
    """NaN for what was not measured."""
    return math.nan if value is None else value


def load_reading(path: str | Path) -> SavedReading:
    """Read a reading file back.

    Raises
    ------
    FileError
        It is missing or cannot be read.
    DataError
        It is not a reading, or a damaged one.
    """
    p = Path(path)
    todo = "give a saved reading" if reader.on_page() else "give the file written by 'read' with --json"
    again = "read the photo again"
    data = read_json(p, "a reading", todo=todo)
    if not str(data.get("schema", "")).startswith("colorcheck-reading/"):
        raise DataError(f"{p.name} is not a reading", todo)
    if data.get("patches") == []:
        raise DataError(f"{p.name} holds no measured colours: its photo could not be judged", "take the photo again")
    file = shaped(data, ReadingFile, f"{p.name} is a damaged reading", again)
    try:
        target = from_layout(file.target)
    except TargetError as e:
        raise DataError(f"{p.name} is a damaged reading: {e.message}") from e
    by_id = {r.id: r for r in file.patches}
    if set(by_id) != set(target.ids):
        raise DataError(f"{p.name}: its cells do not match its layout", again)
    rows = tuple(by_id[i] for i in target.ids)
    return SavedReading(
        name=file.name or p.stem,
        path=str(p),
        trust=file.trust,
        absolute=file.absolute,
        target=target,
        lab=np.array([r.lab for r in rows]),
        u_random=np.array([r.uncertainty if r.u_random is msgspec.UNSET else r.u_random for r in rows], dtype=float),
        uncertainty=np.array([r.uncertainty for r in rows], dtype=float),
        usable=np.array([not _SPOILED & set(r.flags) for r in rows]),
        file=file,
        rows=rows,
    )
