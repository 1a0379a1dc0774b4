"""What a reader chose: units and look; and what the options of the commands are called on the page."""

from __future__ import annotations

from dataclasses import dataclass

from starlette.requests import Request

from ..ground.reader import Reader

COOKIE = "colorcheck-shown"
DOORS = {
    "again": "'Earlier reading of the same target'",
    "bench": "'Checked set-up'",
    "black": "'The dark hole'",
    "both": "'Both lamps'",
    "glass-on-hole": "'A clear pane lay on the hole'",
    "lamp-a": "'First lamp alone'",
    "lamp-b": "'Second lamp alone'",
    "sheet": "'The sheet of paper'",
    "turned": "'The target turned by a quarter'",
    "lit": "'How will it be seen?'",
    "against": "'Earlier reading of the same target'",
    "artwork": "'Artwork'",
    "at": "'What was really set'",
    "blank-frame": "'White sheet in the piece's place'",
    "camera": "'Use the taught camera'",
    "cost": "the cost of one piece",
    "dpi": "'Dots per inch'",
    "light": "'Photos on a light panel'",
    "max-temperature": "the highest temperature the makers allow",
    "max-time": "the longest time the makers allow",
    "names": "'Name of the blank'",
    "patches": "'How many colours'",
    "piece": "'A name for it'",
    "profile": "'ICC profile it was printed through'",
    "purpose": "'What is it for?'",
    "reading": "'Reading of the same blank'",
    "same-setup": "'Same lamp, room and camera'",
    "shape": "'Shape'",
    "size": "'Size of the piece'",
    "step": "the readings",
    "temperature": "the temperatures",
    "time": "the times",
    "yellow": "'Which look yellower'",
}


@dataclass(frozen=True, slots=True)
class Shown:
    """What a reader chose: ``length`` 'mm' or 'in', ``heat`` 'C' or 'F', ``look`` 'auto', 'light' or 'dark'."""

    length: str = "mm"
    heat: str = "C"
    look: str = "auto"

    @property
    def cookie(self) -> str:
        """The choice in one word."""
        return f"{self.length}.{self.heat}.{self.look}"

    @property
    def reader(self) -> Reader:
        """For whom texts are written out."""
        return Reader(self.length, self.heat, DOORS)


def chosen(request: Request) -> Shown:
    """Read the choice of this reader from his cookie; anything odd gives the default."""
    parts = request.cookies.get(COOKIE, "").split(".")
    if (
        len(parts) == 3
        and parts[0] in ("mm", "in")
        and parts[1] in ("C", "F")
        and parts[2] in ("auto", "light", "dark")
    ):
        return Shown(*parts)
    return Shown()
