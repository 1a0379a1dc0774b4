"""What all tests share: the order of the files, and the samples as `read` answers them."""

from __future__ import annotations

import json
import os
from collections.abc import Callable
from pathlib import Path

import pytest
from filelock import FileLock

SCANS = Path(__file__).parents[1] / "scans"
# the files that take longest, so that at the end no test process waits for the other
LONGEST = ("read", "page", "browser", "defects", "cli", "profile", "prints", "inspect", "presslog", "batch", "doors")


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Put the longest files first; within a file the order stays."""
    rank = {f"test_{name}.py": k for k, name in enumerate(LONGEST)}
    items.sort(key=lambda item: rank.get(item.path.name, len(rank)))


@pytest.fixture(scope="session")
def sample_reading(tmp_path_factory: pytest.TempPathFactory) -> Callable[[str], Path]:
    """The reading of a sample in ``scans/``, as its truth says to read it: made once, for all test processes."""
    top = tmp_path_factory.getbasetemp()
    shelf = (top.parent if os.environ.get("PYTEST_XDIST_WORKER") else top) / "samples"
    shelf.mkdir(exist_ok=True)

    def made(name: str) -> Path:
        from colorcheck.__main__ import main

        out = shelf / f"{name}.json"
        with FileLock(shelf / f"{name}.lock"):
            if not out.exists():
                truth = json.loads((SCANS / f"{name}.truth.json").read_text(encoding="utf-8"))
                options = [w for key, value in truth["read_with"].items() for w in (f"--{key}", value)]
                assert main(["read", str(SCANS / truth["file"]), *options, "--quiet", "--json", str(out)]) == 0
        return out

    return made
