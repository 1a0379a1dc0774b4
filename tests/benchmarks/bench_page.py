"""How the page keeps up: one photo against the command line, then twenty at once.

Run: ``python tests/benchmarks/bench_page.py [--megapixels 12] [--uploads 20] [--workers 2]``. Prints the time from the
end of the upload to the verdict against the command line's for the same photo, the server's time for its pages, and
under load the slowest page, the errors, and the memory of the server with all its workers (proportional set size, so
that what they share counts once).
"""

from __future__ import annotations

import argparse
import re
import statistics
import subprocess
import sys
import tempfile
import threading
import time
import urllib.request
from http.cookiejar import CookieJar
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[2]
PAGES = ("/", "/target", "/check/target", "/check/piece", "/presses", "/settings")


class Visitor:
    """A browser without a picture."""

    def __init__(self, base: str) -> None:
        self.base = base
        self.jar = CookieJar()
        self.sent = 0
        self.open = urllib.request.build_opener(urllib.request.HTTPCookieProcessor(self.jar)).open

    def get(self, path: str) -> tuple[str, str]:
        with self.open(self.base + path, timeout=120) as answer:
            return answer.url, answer.read().decode("utf-8", "replace")

    def upload(self, photo: bytes) -> str:
        """Send a photo; returns the address of its job."""
        _, page = self.get("/check/target")
        action = re.search(r'action="([^"]+)"', page)
        assert action
        self.sent += 1  # the same form sent twice is one job
        piece = f'--x\r\ncontent-disposition: form-data; name="piece"\r\n\r\npiece {self.sent}\r\n'
        body = piece.encode() + (
            b'--x\r\ncontent-disposition: form-data; name="photos"; filename="p.jpg"\r\n\r\n' + photo + b"\r\n--x--\r\n"
        )
        headers = {"content-type": "multipart/form-data; boundary=x"}
        request = urllib.request.Request(self.base + action[1], body, headers)
        with self.open(request, timeout=300) as answer:
            return str(answer.url).removeprefix(self.base)

    def post(self, path: str, fields: dict[str, str]) -> str:
        """Send a form without files; returns the address of its job."""
        parts = [f'--x\r\ncontent-disposition: form-data; name="{k}"\r\n\r\n{v}\r\n' for k, v in fields.items()]
        headers = {"content-type": "multipart/form-data; boundary=x"}
        request = urllib.request.Request(self.base + path, ("".join(parts) + "--x--\r\n").encode(), headers)
        with self.open(request, timeout=300) as answer:
            return str(answer.url).removeprefix(self.base)

    def verdict(self, job: str) -> str:
        """Wait for a job the way the page's script does."""
        import json

        seen = -1
        while True:
            _, text = self.get(f"{job}/state?seen={seen}")
            state = json.loads(text)
            if state["state"] not in ("waiting", "running"):
                break
            seen = state["version"]
        url, text = self.get(job)
        head = re.search(r"<h1[^>]*>([^<]+)<", text)
        return f"{state['state']}: {head[1] if head else url}"


def memory_mb(pid: int) -> float:
    """Proportional set size of a process and its children."""
    total = 0.0
    pids = [pid, *map(int, Path(f"/proc/{pid}/task/{pid}/children").read_text().split())]
    for p in pids:
        try:
            found = re.search(r"^Pss:\s+(\d+)", Path(f"/proc/{p}/smaps_rollup").read_text(), re.MULTILINE)
        except OSError:
            continue
        total += int(found[1]) / 1024 if found else 0.0
    return total


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--megapixels", type=float, default=12.0)
    parser.add_argument("--uploads", type=int, default=20)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--runs", type=int, default=5)
    args = parser.parse_args()
    sys.path.insert(0, str(ROOT))
    from tests.benchmarks.bench_read import make_photo

    with tempfile.TemporaryDirectory() as folder:
        top = Path(folder)
        make_photo(top / "photo.jpg", args.megapixels)
        photo = (top / "photo.jpg").read_bytes()
        words = [sys.executable, "-m", "colorcheck", "serve", "--port", "8799", "--data", str(top / "data")]
        words += ["--log", str(top / "log.sqlite"), "--quiet", "--workers", str(args.workers)]
        server: Any = subprocess.Popen(words, cwd=ROOT)
        base = "http://127.0.0.1:8799"
        try:
            for _ in range(200):
                try:
                    Visitor(base).get("/")
                    break
                except OSError:
                    time.sleep(0.1)
            time.sleep(3)  # the workers load their libraries
            one(base, photo, top, args.runs)
            many(base, photo, server.pid, args.uploads)
        finally:
            server.terminate()
            server.wait()


def one(base: str, photo: bytes, top: Path, runs: int) -> None:
    """Compare one photo through the page with the command line, by turns."""
    visitor = Visitor(base)
    page, line = [], []
    command = [sys.executable, "-m", "colorcheck", "read", str(top / "photo.jpg"), "--quiet", "--overwrite"]
    for _ in range(runs):
        job = visitor.upload(photo)
        start = time.perf_counter()
        visitor.verdict(job)
        page.append(time.perf_counter() - start)
        start = time.perf_counter()
        subprocess.run([*command, "--json", str(top / "o.json"), "--report", str(top / "r")], check=True, cwd=ROOT)
        line.append(time.perf_counter() - start)
    p, c = statistics.median(page), statistics.median(line)
    print(f"upload's end to verdict {p:.2f} s, command line with report {c:.2f} s, ratio {p / c:.2f}")
    times = []
    for path in PAGES:
        for _ in range(5):
            start = time.perf_counter()
            _, _text = visitor.get(path)
            times.append(time.perf_counter() - start)
    print(f"pages: median {1000 * statistics.median(times):.0f} ms, slowest {1000 * max(times):.0f} ms")


def many(base: str, photo: bytes, pid: int, uploads: int) -> None:
    """Send many photos at once while another visitor looks at pages."""
    answers: list[str] = []

    def send() -> None:
        visitor = Visitor(base)
        try:
            answers.append(visitor.verdict(visitor.upload(photo)))
        except Exception as e:
            answers.append(f"error {type(e).__name__}: {e}")

    threads = [threading.Thread(target=send) for _ in range(uploads)]
    start = time.perf_counter()
    for t in threads:
        t.start()
    times, top = [], 0.0
    visitor = Visitor(base)
    while any(t.is_alive() for t in threads):
        for path in PAGES:
            begun = time.perf_counter()
            visitor.get(path)
            times.append(time.perf_counter() - begun)
        top = max(top, memory_mb(pid))
        time.sleep(0.2)
    took = time.perf_counter() - start
    bad = [a for a in answers if not a.startswith("done")]
    print(
        f"{uploads} at once: {took:.1f} s, {len(bad)} errors, slowest page {max(times):.2f} s, most memory {top:.0f} MB"
    )
    for line in bad[:3]:
        print("  ", line)


if __name__ == "__main__":
    main()
