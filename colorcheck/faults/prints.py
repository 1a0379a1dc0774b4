"""What went wrong before or beside the pressing: ghost, banding, missing ink, scorch, crisp dots.

Everything is judged on one flat photo with the light taken out; each fault has a file of its own, and
what one finding says about another is decided here.
"""

from __future__ import annotations

from ..ground.records import Cells, FlatImage, Floats, Light, PrintCheck, Target
from ..sheet.edgewidth import edge_width
from ..sheet.sheetgrid import lay_out
from .banding import BAND_SIGNIFICANT, find_banding
from .dots import find_dots
from .ghost import find_ghost
from .inks import ink_finding, missing_inks, uptake_of
from .scorch import find_scorch


def check_print(
    target: Target, flat: FlatImage, light: Light, field_rel: Floats, cells: Cells, *, edge_mm: float
) -> PrintCheck:
    """Look for faults of print and paper in one photo of a pressed target.

    Parameters
    ----------
    target : Target
    flat : FlatImage
    light : Light
        As fitted to this photo.
    field_rel : (r, c, 3)
        The grey field relative to the coat on the grid of ``light.step_mm``; NaN where there is none.
    cells : Cells
    edge_mm : float
        Width of a cell's blurred edge, as the locating step found it.

    Returns
    -------
    PrintCheck
        ``ghost_shift_mm`` where the second copy lies from the first (x right, y down) and
        ``ghost_strength`` its density as a share of the print's; significances in standard
        errors; ``banding_amplitude_l`` half of the swing between the lines in L*, and
        ``banding_axis`` the axis along which the lines run; ``scorch_b`` the largest rise of
        the bare coat's b*, within ± ``scorch_u``; ``edge_width_mm`` 10–90 % of the linear
        signal, with lens and pixels in it; NaN where nothing could be measured.

    Notes
    -----
    ``uptake`` is an upper bound by reason, not a measurement: a print that took up too little
    dye is pale in the mid-tones *and* in black, while a wrong curve moves the mid-tones alone
    and a weak coat (or a mirrored room) lifts black alone. So the larger of the two ratios is
    taken, mid-tone density to that of the sRGB aim and black density to 1.6, and half of their
    difference goes into ``uptake_u``. It is not cut off: a coat that takes much dye, or a
    printer whose mid-tones come out darker than sRGB, gives more than 1. Yellowing of the whole
    sheet cannot be told from the lamp's colour in one photo, since colours are balanced on that
    very coat; only its local part is reported here. With a characterised camera the absolute b*
    of the coat shows the rest.
    """
    sheet = lay_out(target, flat, light, edge_mm)
    ghost, found = find_ghost(target, sheet)
    moved = bool(found)
    band, more = find_banding(target, sheet)
    if not moved or band[2] > 2 * BAND_SIGNIFICANT:  # the copy's strips repeat with the lattice
        found += more
    missing = missing_inks(target, cells)
    found += [ink_finding(name, target, cells) for name in missing]
    scorch_b, scorch_u, more = find_scorch(target, sheet, light, field_rel, cells)
    found += [] if moved else more  # the copy's own dye tints bare coat
    found += find_dots(target, sheet, ghost=moved)
    uptake, uptake_u = uptake_of(target, cells)
    return PrintCheck(
        ghost_shift_mm=(ghost[0], ghost[1]),
        ghost_strength=ghost[2],
        ghost_significance=ghost[3],
        banding_period_mm=band[0],
        banding_amplitude_l=band[1],
        banding_significance=band[2],
        banding_axis="x" if band[3] == 0 else "y",
        missing=missing,
        scorch_b=scorch_b,
        scorch_u=scorch_u,
        edge_width_mm=edge_width(target, flat),
        uptake=uptake,
        uptake_u=uptake_u,
        findings=tuple(found),
    )
