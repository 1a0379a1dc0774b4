"""Virtual printers that nothing was tuned to, their truth, and cells as a photo would give them."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np

from colorcheck.colour.icc import ProfileTables, profile_bytes
from colorcheck.ground.cielab import D50_WHITE, delta_e00, lab_to_xyz, xyz_to_lab
from colorcheck.ground.jsontext import write_json
from colorcheck.ground.records import CellFlag, CellKind, Target
from colorcheck.sheet.savedreading import SavedReading, load_reading
from colorcheck.sheet.target import to_dict

from . import virtual as v

DATA = Path(__file__).parent / "data"
PRINTERS = {
    "raw": v.Printer(profiled=False),
    "raw, dull dyes": v.Printer(profiled=False, dyes="dull"),
    "raw, soft dyes": v.Printer(profiled=False, dyes="soft"),
    "raw, too much ink": v.Printer(profiled=False, ink=(1.25, 1.2, 1.15, 1.1)),
    "wrong curves": v.Printer(gamma=(1.25, 1.1, 0.9)),
    "cast": v.Printer(cast=(14, -8, 6)),
    "cast, dull dyes": v.Printer(cast=(-10, 12, 0), dyes="dull"),
    "too much ink": v.Printer(ink=(1.2, 1.2, 1.2, 1.0)),
    "profile of another substrate": v.Printer(profile_substrate=v.SUBSTRATES["satin"]),
}


def truth(printer: str, substrate: str) -> Callable[[Any], Any]:
    """Device RGB (…, 3), 0 to 255 → true CIELAB (…, 3) relative to the coat."""
    p, s = PRINTERS[printer], v.SUBSTRATES[substrate]

    def lab(device: Any) -> Any:
        d = np.asarray(device, float)
        return v.lab_of_amounts(p._of_floats(d, s).reshape(*d.shape[:-1], 4), p.dyes, s)

    return lab


def noisy(lab: Any, seed: int, *, relative: float = 0.008, added: float = 0.001) -> tuple[Any, Any]:
    """Colours with what a photo adds: 0.8 % of light and 0.1 % of white, and the uncertainty that goes with it."""
    rng = np.random.Generator(np.random.PCG64(seed))
    n = len(lab)
    scale = 1 + rng.normal(0, relative, (n, 1)) + rng.normal(0, 0.4 * relative, (n, 3))
    shift = (rng.normal(0, added, (n, 1)) + rng.normal(0, 0.2 * added, (n, 3))) * D50_WHITE
    xyz = lab_to_xyz(lab)
    out = xyz_to_lab(xyz * scale + shift)
    parts = [delta_e00(xyz_to_lab(xyz * (1 + relative)), lab), delta_e00(xyz_to_lab(xyz + added * D50_WHITE), lab)]
    return out, np.sqrt(parts[0] ** 2 + parts[1] ** 2 + 0.2**2)


def offset_data() -> tuple[Any, Any, Any]:
    """Device RGB, media-relative CIELAB and which are for testing, of a standard printing condition."""
    lines = (DATA / "offset_coated_cmy.txt").read_text(encoding="utf-8").splitlines()
    rows = [line.split() for line in lines if not line.startswith("#")]
    values = np.array([[float(x) for x in r[:6]] for r in rows])
    xyz = lab_to_xyz(values[:, 3:])
    lab = xyz_to_lab(xyz / xyz[0] * D50_WHITE)
    return 255.0 - 2.55 * values[:, :3], lab, np.array([len(r) > 6 for r in rows])


def profile_file(tables: dict[str, Any]) -> bytes:
    """Tables of a profile, as `profile_tables` gives them, as an ICC file of an invented printer."""
    told = ProfileTables(
        **tables,
        white_xyz=np.array([0.87, 0.90, 0.74]),
        black_xyz=None,
        description="made for a test",
        copyright="none",
        characterisation="none",
        created=datetime(2026, 1, 2, tzinfo=UTC),
    )
    return profile_bytes(told)


def save_reading(
    path: Path,
    target: Target,
    lab: Any,
    std: Any,
    *,
    system: float = 0.5,
    printed: str = "raw",
    action: str = "accept",
    reasons: tuple[dict[str, Any], ...] = (),
    uptake: Any = None,
    flags: dict[int, list[str]] | None = None,
    sha: str | None = None,
) -> SavedReading:
    """Write a reading with these colours as `read` would, and take it up again."""
    known = {f.name.lower() for f in CellFlag if f.name}
    rows = []
    for k, cell in enumerate(target.ids):
        marks = (flags or {}).get(k, [])
        assert {m.replace("-", "_") for m in marks} <= known
        rows.append(
            {
                "id": cell,
                "kind": CellKind(int(target.kind[k])).name.lower(),
                "device_rgb": target.device_rgb[k].tolist(),
                "lab": np.round(lab[k], 3).tolist(),
                "uncertainty": float(np.hypot(std[k], system)),
                "u_random": float(std[k]),
                "flags": marks,
                "uptake": 1.0 if uptake is None else float(uptake[k]),
            }
        )
    verdict = {"action": action, "reasons": list(reasons), "undecided": []}
    data = {
        "schema": "colorcheck-reading/1",
        "name": path.stem,
        "trust": "referenced",
        "absolute": False,
        "printed": printed,
        "photos": [{"sha256": sha or path.stem}],
        "verdict": verdict,
        "patches": rows,
        "target": to_dict(target),
    }
    write_json(path, data)
    return load_reading(path)
