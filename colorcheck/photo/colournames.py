"""Names of colour spaces: those of their standards, on every screen and in every file."""

from __future__ import annotations

# Colour spaces by what their standards call them; the P3 primaries are those of SMPTE EG 432-1.
P3_D65 = "P3 primaries with D65"
OP_RGB = "opRGB (IEC 61966-2-5)"
ROMM_RGB = "ROMM RGB (ISO 22028-2)"


def standard_name(described: str) -> str:
    """Give a colour space the name of its standard where its profile describes it by another."""
    known = {"display p3": P3_D65, "adobe rgb": OP_RGB, "oprgb": OP_RGB, "prophoto": ROMM_RGB, "romm rgb": ROMM_RGB}
    return next((name for words, name in known.items() if words in described.lower()), described)
