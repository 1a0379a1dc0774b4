"""Every kind of fault, once: what it is called, what it is measured by, what cures it and where it is judged.

Verdict, words, report, page, press health and log read this table; to add a kind, name it in `records.Kind` and
describe it here, and let a detector report it. A kind that is not here is an error, never silently accepted.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

from ..ground.limits import Limits
from ..ground.records import Finding, Kind, Step


class Cure(StrEnum):
    """What can be done about a fault that is beyond its limit."""

    PRESS = "press"  # more heat brings it, while the paper is on and unmoved
    REPRINT = "reprint"  # the piece is lost: print again
    PHOTO = "photo"  # it is in the photo, not on the piece


class Drawing(StrEnum):
    """How a kind is drawn over the picture of the piece."""

    OUTLINE = "outline"  # round a place, as large as it is
    BAND = "band"  # along a side or the rim
    DOT = "dot"  # a small mark beside it
    WHOLE = "whole"  # nothing to point at: it is everywhere


class Family(StrEnum):
    """Kinds that press health counts together, since one cause makes them."""

    SOFT = "soft"
    CRISP = "crisp"
    SCORCH = "scorch"
    PRINT = "print"
    NONE = ""


@dataclass(frozen=True, slots=True)
class Fault:
    """One kind of fault.

    ``measure`` is what is held against ``limit`` (table, name in `limits.toml`; None: any of it is too much):
    'delta_e00', 'diameter_mm' or a key of the finding's ``detail``. ``word`` names it, ``cause`` says what to look at
    before the next piece.
    """

    step: Step
    limit: tuple[str, str] | None
    cure: Cure
    drawing: Drawing
    family: Family
    word: str
    cause: str
    measure: str = "delta_e00"

    def limit_of(self, limits: Limits) -> float:
        """Give the largest value that passes."""
        if self.limit is None:
            return 0.0
        table, name = self.limit
        return float(getattr(getattr(limits, table), name))

    def value_of(self, f: Finding) -> float:
        """Give what is compared with the limit."""
        return float(getattr(f, self.measure) if hasattr(f, self.measure) else f.detail[self.measure])


_SPOT, _EDGE, _DARK = ("even", "spot_de00"), ("even", "edge_de00"), ("even", "dark_de00")
_DOT = ("even", "dot_mm")
_DUST = "Wipe glass and paper with a lint-free cloth and roll off dust before you tape."

CATALOGUE: Mapping[Kind, Fault] = {
    Kind.MIRRORED: Fault(
        Step.SIDE,
        None,
        Cure.REPRINT,
        Drawing.WHOLE,
        Family.PRINT,
        "mirrored print",
        "Mirror the print for a coat that is looked at straight; do not mirror it for a coat seen through the glass.",
        measure="mirrored",
    ),
    Kind.GHOST: Fault(
        Step.PAPER,
        ("ghost", "strength"),
        Cure.REPRINT,
        Drawing.WHOLE,
        Family.PRINT,
        "second, shifted copy",
        "Tape the paper on two sides, let it cool before you peel, and open the press without a jerk.",
        measure="strength",
    ),
    Kind.BANDING: Fault(
        Step.PRINT,
        ("print", "banding_l"),
        Cure.REPRINT,
        Drawing.WHOLE,
        Family.PRINT,
        "regular lines",
        "Print a nozzle check and clean until it is complete; never build a profile from a banded print.",
        measure="amplitude_l",
    ),
    Kind.MISSING_INK: Fault(
        Step.PRINT,
        ("print", "missing_ink"),
        Cure.REPRINT,
        Drawing.WHOLE,
        Family.PRINT,
        "missing ink",
        "Print a nozzle check, clean, and look at the cartridges; never build a profile from such a print.",
        measure="inks",
    ),
    Kind.PINHOLE: Fault(
        Step.PRINT, _DOT, Cure.REPRINT, Drawing.DOT, Family.CRISP, "pinhole", _DUST, measure="diameter_mm"
    ),
    Kind.SHINING: Fault(
        Step.PRINT,
        _DOT,
        Cure.REPRINT,
        Drawing.DOT,
        Family.CRISP,
        "shining pinhole",
        f"In a window every hole in the dye shines. {_DUST}",
        measure="diameter_mm",
    ),
    Kind.SPECK: Fault(Step.PRINT, _DOT, Cure.REPRINT, Drawing.DOT, Family.CRISP, "speck", _DUST, measure="diameter_mm"),
    Kind.HAIR: Fault(
        Step.PRINT, _DOT, Cure.REPRINT, Drawing.DOT, Family.CRISP, "hair or fibre", _DUST, measure="diameter_mm"
    ),
    Kind.PALE: Fault(
        Step.EVEN,
        _SPOT,
        Cure.PRESS,
        Drawing.OUTLINE,
        Family.SOFT,
        "pale spot",
        "A soft pale spot is missing contact or heat: look for a worn place in the pad or platen cover, dust, or a "
        "crease in the paper.",
    ),
    Kind.FADED_EDGE: Fault(
        Step.EVEN,
        _EDGE,
        Cure.PRESS,
        Drawing.BAND,
        Family.SOFT,
        "faded edge",
        "A faded edge is a rim that stayed cooler or loose: centre the piece under the platen, and check that platen "
        "and pad reach beyond the edge.",
    ),
    Kind.PALE_CENTRE: Fault(
        Step.EVEN,
        _SPOT,
        Cure.PRESS,
        Drawing.OUTLINE,
        Family.SOFT,
        "pale middle",
        "A pale middle on every piece means a hollow platen, pad or blank: check with a ruler edge.",
    ),
    Kind.DARK: Fault(
        Step.EVEN,
        _DARK,
        Cure.REPRINT,
        Drawing.OUTLINE,
        Family.SOFT,
        "dark spot",
        "A dark place got more dye than the rest: look for a second layer of paper, a hot place of the platen, or ink "
        "that was laid on unevenly.",
    ),
    Kind.DARK_EDGE: Fault(
        Step.EVEN,
        _DARK,
        Cure.REPRINT,
        Drawing.BAND,
        Family.SOFT,
        "dark edge",
        "A dark edge got more heat or pressure than the rest: look for a pad or cover that bulges at its rim.",
    ),
    Kind.SCORCH: Fault(
        Step.COMPLETE,
        ("complete", "scorch_b"),
        Cure.REPRINT,
        Drawing.OUTLINE,
        Family.SCORCH,
        "yellowed place",
        "Yellowing means too hot or too long: lower the temperature a little or shorten the time.",
        measure="delta_b",
    ),
    Kind.GLARE: Fault(Step.PHOTO, None, Cure.PHOTO, Drawing.OUTLINE, Family.NONE, "reflection", ""),
}

HEAT_HELPS = frozenset(kind for kind, fault in CATALOGUE.items() if fault.cure is Cure.PRESS)
CRISP = frozenset(kind for kind, fault in CATALOGUE.items() if fault.family is Family.CRISP)
BANDS = frozenset(kind for kind, fault in CATALOGUE.items() if fault.drawing is Drawing.BAND)
WHOLE = frozenset(kind for kind, fault in CATALOGUE.items() if fault.drawing is Drawing.WHOLE)


def fault_of(kind: str) -> Fault:
    """Look a kind up.

    Raises
    ------
    ValueError
        The catalogue does not know it.
    """
    return CATALOGUE[Kind(kind)]


def family_of(kind: str) -> str:
    """Family that press health counts a kind with; '' of what it does not count, and of what older files name."""
    known = kind in set(Kind)
    family = CATALOGUE[Kind(kind)].family if known else Family.NONE
    return "" if family is Family.PRINT else str(family)


PALE_OR_FAILED = HEAT_HELPS | {Kind.GHOST, Kind.MISSING_INK}  # a step of a step test that shows one is no good step
