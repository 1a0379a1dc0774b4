"""Tell a print file or a drawing from a photo."""

from __future__ import annotations

from ..ground.errors import PhotoError
from ..ground.records import LinearImage

_DRAWN = 0.97  # print files: 0.987 and more; simulated photos, and those as JPEG of quality 20: at most 0.92
_LINES = 200
_LEAST = 0.1  # of the picture neither black nor blank: below, nothing can be told


def refuse_drawn(image: LinearImage) -> None:
    """Refuse a picture with the dead even areas of a drawing.

    Parameters
    ----------
    image : LinearImage

    Raises
    ------
    PhotoError
        Nearly all neighbouring pixels have the very same codes, which noise of a sensor never lets happen.
    """
    step = max(1, image.rgb.shape[0] // _LINES)
    lines, clipped = image.rgb[::step], image.clipped[::step]
    known = (lines.max(axis=2) > 0) & (clipped == 0)  # a mask of bits, (H, W)
    pairs = known[:, 1:] & known[:, :-1]
    if pairs.mean() < _LEAST:
        return
    if float((lines[:, 1:] == lines[:, :-1]).all(axis=2)[pairs].mean()) > _DRAWN:
        raise PhotoError(f"{image.source} is drawn, not photographed", "give a photo or scan of the pressed piece")
