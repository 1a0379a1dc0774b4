"""Press logs for tests and benchmarks, filled in bulk from an invented workshop that presses house numbers.

The results are made up. Rows are inserted straight into the tables, many at a time, so that a log of a hundred
thousand entries takes seconds; what `PressLog.record` does is tested on its own.
"""

from __future__ import annotations

import json
import math
import random
import uuid
import zlib
from datetime import UTC, datetime, timedelta
from typing import Any

import sqlalchemy as sa

from colorcheck.shop.presslog import PressLog
from colorcheck.shop.presslog_records import key_of
from colorcheck.shop.presslog_tables import blanks, entries, findings, pieces, results

START = datetime(2021, 1, 4, 8, 0, tzinfo=UTC)
ACTIONS = ("accept", "accept", "accept", "re-press", "change-profile", "reprint", "retake-photo")


def reading(
    rng: random.Random, *, action: str = "accept", evenness: float | None = None, spots: int = 0, **more: Any
) -> dict[str, Any]:
    """Result of an invented reading, as small as a result can be."""
    spot = {"kind": "pale", "diameter_mm": 20.0, "area_mm2": 314.0, "delta_e00": 4.0, "delta_L": 3.0, "confidence": 0.9}
    return {
        "schema": "colorcheck-reading/1",
        "name": f"plaque {rng.randrange(1000)}",
        "trust": "balanced",
        "view": "front",
        "size_mm": [200.0, 150.0],
        "photos": [{"file": "piece.jpg", "sha256": f"{rng.getrandbits(256):064x}"}],
        "press": {
            "evenness": round(rng.lognormvariate(math.log(0.6), 0.3), 3) if evenness is None else evenness,
            "black_density": round(rng.gauss(1.9, 0.05), 3),
            "findings": [
                {**spot, "x_mm": rng.uniform(10, 190), "y_mm": rng.uniform(10, 140), "where": "upper left"}
                for _ in range(spots)
            ],
        },
        "colour": {"mean_delta_e00": round(rng.lognormvariate(math.log(2.0), 0.3), 3)},
        "verdict": {"action": action, "headline": "invented", "reasons": []},
        **more,
    }


def fill(log: PressLog, n: int, *, seed: int = 1) -> None:
    """Fill an empty log with n entries of n // 4 pieces, one every twenty minutes."""
    rng = random.Random(seed)
    engine = log._writer
    with engine.begin() as c:
        c.execute(
            sa.insert(blanks),
            [
                {"name": f"glass {k}", "name_key": f"glass {k}", "lot": "L1", "lot_key": "l1", "created": START}
                for k in range(1, 6)
            ],
        )
        count = max(1, n // 4)
        for a in range(0, count, 5000):
            c.execute(
                sa.insert(pieces),
                [
                    {"name": f"plaque {k}", "name_key": f"plaque {k}", "blank_id": 1 + k % 5, "created": START}
                    for k in range(a + 1, min(a + 5000, count) + 1)
                ],
            )
        for a in range(0, n, 5000):
            rows, packed, spots = [], [], []
            for k in range(a + 1, min(a + 5000, n) + 1):
                spotted = rng.choice((0, 0, 1, 3))
                d = reading(rng, action=rng.choice(ACTIONS), spots=spotted)
                piece = 1 + rng.randrange(count)
                spoken = f"read {d['name']} {d['verdict']['action']} plaque {piece} 200 °c, 3:00 mark{k % 1000}."
                rows.append(
                    {
                        "id": k,
                        "uid": uuid.UUID(int=rng.getrandbits(128)).hex,
                        "created": START + timedelta(minutes=20 * k),
                        "kind": rng.choice(("read", "read", "inspect")),
                        "name": d["name"],
                        "action": d["verdict"]["action"],
                        "headline": "invented",
                        "trust": "balanced",
                        "program": "test",
                        "piece_id": piece,
                        "blank_id": 1 + piece % 5,
                        "mean_delta_e00": d["colour"]["mean_delta_e00"],
                        "evenness": d["press"]["evenness"],
                        "black_density": d["press"]["black_density"],
                        "findings": spotted,
                        "width_mm": 200.0,
                        "height_mm": 150.0,
                        "face": "",
                        "note": "",
                        "words": key_of(spoken),
                    }
                )
                packed.append({"entry_id": k, "data": zlib.compress(json.dumps(d).encode())})
                spots += [
                    {
                        "entry_id": k,
                        "kind": f["kind"],
                        "x_mm": f["x_mm"],
                        "y_mm": f["y_mm"],
                        "size_mm": f["diameter_mm"],
                        "delta_e00": f["delta_e00"],
                        "confidence": f["confidence"],
                        "platen_x_mm": f["x_mm"] - 100,
                        "platen_y_mm": f["y_mm"] - 75,
                    }
                    for f in d["press"]["findings"]
                ]
            c.execute(sa.insert(entries), rows)
            c.execute(sa.insert(results), packed)
            if spots:
                c.execute(sa.insert(findings), spots)
        if log.path is None:  # ids were given: let the server count on from there
            for table in (entries, pieces, blanks):
                name = f"pg_get_serial_sequence('{table.name}', 'id')"
                c.exec_driver_sql(f"SELECT setval({name}, (SELECT max(id) FROM {table.name}))")
    if log.path is None:
        with engine.connect().execution_options(isolation_level="AUTOCOMMIT") as c:
            c.exec_driver_sql("ANALYZE")
