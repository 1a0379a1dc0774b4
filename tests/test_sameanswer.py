"""The same files give the same answer to the last byte, whatever the order of hashes and the number of threads."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
PIECE = "scans/number-plaque.jpg --artwork scans/number-plaque.png --size 200x150mm --view through"
THREADS = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "OPENCV_FOR_THREADS_NUM")


@pytest.mark.parametrize("words", ["read scans/offcut-scan.tif", f"inspect {PIECE}"])
def test_two_processes_give_one_answer(words: str, tmp_path: Path) -> None:
    told = []
    for seed, threads in (("1", "1"), ("77", "3")):
        out = tmp_path / f"{threads}.json"
        world = {**os.environ, "PYTHONHASHSEED": seed, **dict.fromkeys(THREADS, threads)}
        line = [sys.executable, "-m", "colorcheck", *words.split(), "--quiet", "--json", str(out)]
        subprocess.run(line, check=True, cwd=ROOT, env=world)
        told.append(out.read_bytes())
    assert told[0] == told[1]
