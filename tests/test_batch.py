"""A day's work: several pieces in a photo, their artworks, and a folder judged once, whatever comes between."""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

from colorcheck.__main__ import main
from colorcheck.flows.arrivals import Arrivals
from colorcheck.flows.batch import Crew, run_batch
from colorcheck.flows.batchbook import held, open_book
from colorcheck.flows.batchline import Told, refused
from colorcheck.flows.batchwork import Setup
from colorcheck.flows.pieces import load_candidates
from colorcheck.flows.requests import InspectRequest
from colorcheck.ground.errors import DataError, FileError, UsageError
from colorcheck.photo.decode import decode
from colorcheck.piece.artwork import load_artwork
from colorcheck.piece.several import cut_out, find_regions
from colorcheck.piece.whichart import matches, sketch
from colorcheck.shop.joblist import Job, load_jobs
from tests import loads
from tests import virtual as v
from tests.virtual import artworks


@dataclass(frozen=True)
class Day:
    """A folder with a job list, artworks, and one photo of pieces whose truth is known."""

    folder: Path
    photo: Path
    arts: list[loads.Drawn]
    lying: list[loads.Lying]
    middles: Any

    def nearest(self, at: Any) -> loads.Lying:
        return self.lying[int(np.argmin(np.hypot(*(self.middles - np.asarray(at)).T)))]


def make_day(folder: Path, seed: int, count: int, *, faults: dict[int, v.Faults] | None = None, **pose: Any) -> Day:
    rng = np.random.default_rng([seed, 5])
    arts = loads.draw_artworks(rng, folder, count + 1)
    pieces = [(a, loads.press(a, faults=(faults or {}).get(k), seed=seed + k)) for k, a in enumerate(arts[:count])]
    lying = loads.lie(rng, pieces, turn="quarters")
    photo, middles = loads.photograph(rng, lying, **pose)
    (folder / "photos").mkdir()
    path = v.save_photo(photo, folder / "photos" / "load.jpg")
    loads.write_list(folder / "LIST.csv", arts)
    return Day(folder, path, arts, lying, middles)


@pytest.fixture(scope="module")
def day(tmp_path_factory: pytest.TempPathFactory) -> Day:
    """Two pieces, the second with a pale spot."""
    spot = v.Faults(spots=(v.Spot(30, 30, 22, v.pale_strength(9.0)),))
    return make_day(tmp_path_factory.mktemp("day"), 11, 2, faults={1: spot}, megapixels=1.2)


def batch(folder: Path, *more: str) -> int:
    args = ["--jobs", str(folder / "LIST.csv"), "--json", str(folder / "out.jsonl")]
    crew = [] if "--scheduler" in more else ["--workers", "1"]
    return main(["batch", str(folder / "photos"), *args, *crew, *more])


def lines_of(path: Path) -> list[dict[str, Any]]:
    return [json.loads(row) for row in path.read_text(encoding="utf-8").splitlines()]


# ---------------------------------------------------------------- finding and matching


def test_every_piece_is_found_and_matched(tmp_path: Path) -> None:
    day = make_day(tmp_path, 1, 4, megapixels=1.0)
    image = decode(day.photo)
    regions = find_regions(image)
    assert len(regions) == 4
    sketches = [sketch(load_artwork(tmp_path / a.name, size_mm=a.size_mm, shape=a.shape)) for a in day.arts]  # type: ignore[arg-type]
    for r in regions:
        true = day.nearest(r.middle)
        assert matches(cut_out(image, r, regions), sketches)[0].name == true.art.name
    rows = [r.middle[1] for r in regions]
    assert rows[0] < rows[-1]


def test_a_card_on_a_table_is_no_piece(tmp_path: Path) -> None:
    rng = np.random.default_rng(4)
    arts = loads.draw_artworks(rng, tmp_path, 2)
    lying = loads.lie(rng, [(a, loads.press(a)) for a in arts], turn="upright")
    piece, _ = loads.together(lying)
    scene = v.Scene(card_size_mm=(1.25 * piece.size_mm[0], 1.35 * piece.size_mm[1]), beyond="wood")
    photo = v.photograph(piece, scene=scene, pose=v.Pose.megapixels(1.0, fill=0.62), seed=3)
    path = v.save_photo(photo, tmp_path / "card.jpg")
    (card,) = find_regions(decode(path))
    assert len(card.parts) == 2


def test_neighbours_give_way_to_card(day: Day) -> None:
    image = decode(day.photo)
    regions = find_regions(image)
    before = image.rgb.copy()
    cut = cut_out(image, regions[0], regions)
    assert np.array_equal(image.rgb, before)
    (found,) = find_regions(cut.image)
    assert np.hypot(*(found.middle + cut.corner - regions[0].middle)) < 3


# ---------------------------------------------------------------- the command


def test_each_piece_has_its_line_and_its_place(day: Day) -> None:
    out = day.folder / "out.jsonl"
    page, table = day.folder / "day.html", day.folder / "day.csv"
    assert batch(day.folder, "--report", str(page), "--csv", str(table)) == 0
    lines = lines_of(out)
    assert sorted(line["piece"] for line in lines) == [1, 2]
    for line in lines:
        true = day.nearest(line["centre_px"])
        assert line["photo"] == "load.jpg"
        assert line["artwork"] == true.art.name
        assert line["error"] is None
        at = day.middles[day.lying.index(true)]
        assert np.hypot(*(np.array(line["centre_px"]) - at)) < 3
        spotted = true is day.lying[1]
        assert line["verdict"]["action"] == ("re-press" if spotted else "accept")
        assert bool(line["findings"]) == spotted
    html = page.read_text(encoding="utf-8")
    assert html.index("Press again (1)") < html.index("Accept (1)")
    assert html.count("data:image/jpeg") == 3  # two pieces and the photo
    assert table.read_text(encoding="utf-8").count("\n") == 3

    written = out.stat().st_mtime_ns
    assert batch(day.folder, "--report", str(page)) == 0  # again: nothing is judged twice
    assert out.stat().st_mtime_ns == written
    assert page.read_text(encoding="utf-8").count("data:image/jpeg") == 2


def test_pieces_before_one_light_are_judged_as_lit_from_behind(tmp_path: Path) -> None:
    jobs, seen = ["artwork,size"], []
    for k, draw in enumerate((artworks.plaque, artworks.scenery)):
        art = draw((120.0, 90.0), 5.0, seed=k + 1)
        Image.fromarray(art).save(tmp_path / f"{k}.png")
        jobs.append(f"{k}.png,120x90mm")
        piece = v.press_sheet(art, 5.0, size_mm=(120.0, 90.0), seed=k)
        pose = v.Pose.megapixels(1.5, fill=0.8)
        seen.append(v.photograph_window(piece, panel=v.Panel(vignetting=0.0), pose=pose, seed=k))
    (tmp_path / "jobs.csv").write_text("\n".join(jobs), encoding="utf-8")
    (tmp_path / "photos").mkdir()
    both = np.hstack([s.rgb for s in seen])
    v.save_photo(replace(seen[0], rgb=both), tmp_path / "photos" / "two.jpg")
    words = ["batch", str(tmp_path / "photos"), "--jobs", str(tmp_path / "jobs.csv"), "--lit", "behind", "--quiet"]
    assert main([*words, "--workers", "1", "--json", str(tmp_path / "o.jsonl")]) == 0
    lines = lines_of(tmp_path / "o.jsonl")
    assert [(line["artwork"], line["lit"], line["paper"]) for line in lines] == [
        ("0.png", "behind", "off"),
        ("1.png", "behind", "off"),
    ]
    assert [line["verdict"]["action"] for line in lines] == ["accept", "accept"]


def test_one_bad_file_never_stops_the_rest(day: Day, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    photos = tmp_path / "photos"
    photos.mkdir()
    shutil.copy(day.photo, photos / "b.jpg")
    shutil.copy(day.photo, photos / "twin.jpg")
    (photos / "a.jpg").write_bytes(day.photo.read_bytes()[:50_000])
    (photos / "empty.jpg").touch()
    (photos / "notes.txt").write_text("remember the milk")
    (photos / ".hidden.jpg").write_text("x")
    Image.new("RGB", (800, 600), (200, 200, 200)).save(photos / "table.png")
    for p in photos.iterdir():
        os.utime(p, (1e9, 1e9))
    for a in day.arts:
        shutil.copy(day.folder / a.name, tmp_path)
    shutil.copy(day.folder / "LIST.csv", tmp_path)
    assert batch(tmp_path, "--log", str(tmp_path / "log.sqlite"), "--lay", "centre face=up") == 0
    lines = lines_of(tmp_path / "out.jsonl")
    wrong = {line["photo"]: line["error"] for line in lines if line["error"]}
    assert set(wrong) == {"a.jpg", "twin.jpg", "empty.jpg", "notes.txt", "table.png"}
    assert "cut short" in wrong["a.jpg"]
    assert "same photo as b.jpg" in wrong["twin.jpg"]
    assert "empty" in wrong["empty.jpg"]
    assert "text" in wrong["notes.txt"]
    assert "shows none of the artworks" in wrong["table.png"]
    assert [line["piece"] for line in lines if line["photo"] == "b.jpg"] == [1, 2]
    assert all(line["verdict"] is None and line["findings"] == [] for line in lines if line["error"])

    from colorcheck.shop.presslog import open_log

    with open_log(tmp_path / "log.sqlite", create=False) as log:
        assert log.count() == 2
        places = sorted((log.entry(e.uid).lay for e in log.entries()), key=lambda p: p.x_mm)  # type: ignore[union-attr]
    left, right = (min(day.lying, key=lambda p: p.at_mm[0]), max(day.lying, key=lambda p: p.at_mm[0]))
    assert places[-1].x_mm - places[0].x_mm == pytest.approx(right.at_mm[0] - left.at_mm[0], abs=12)  # type: ignore[union-attr]

    # what an interruption leaves of a photo is judged again, and recorded once
    book = tmp_path / "out.jsonl"
    rows = book.read_bytes().splitlines(keepends=True)
    kept = [r for r in rows if b'"b.jpg"' not in r[:80]] + [r for r in rows if b'"b.jpg"' in r[:80]][:1]
    book.write_bytes(b"".join(kept) + rows[0][:100])
    assert batch(tmp_path, "--log", str(tmp_path / "log.sqlite")) == 0
    assert len(lines_of(book)) == len(lines)
    with open_log(tmp_path / "log.sqlite", create=False) as log:
        assert log.count() == 2
    capsys.readouterr()


def test_inspect_chooses_the_artwork_of_a_folder(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    rng = np.random.default_rng(8)
    folder = tmp_path / "arts"
    folder.mkdir()
    arts = [a for a in loads.draw_artworks(rng, folder, 4, sides_mm=(80.0, 80.0)) if a.size_mm == (80.0, 80.0)]
    square = [a for a in arts if a.shape == "rect"]
    (folder / "notes.txt").write_text("no picture")
    lying = loads.lie(rng, [(square[0], loads.press(square[0]))], turn="quarters")
    photo, _ = loads.photograph(rng, lying, megapixels=0.7, fill=0.6)
    path = v.save_photo(photo, tmp_path / "piece.jpg")
    shutil.copy(folder / square[0].name, folder / "a-copy.png")
    given = ["inspect", str(path), "--artwork", str(folder), "--size", "80mm", "--json", str(tmp_path / "o.json")]
    assert main(given) == 0
    result = json.loads((tmp_path / "o.json").read_text())
    assert {result["artwork"], *result["alike"]} == {square[0].name, "a-copy.png"}
    assert "they look alike" in capsys.readouterr().out


def test_a_list_tells_inspect_the_sizes(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    loads.write_list(tmp_path / "LIST.csv", loads.draw_artworks(np.random.default_rng(3), tmp_path, 2))
    Image.new("RGB", (300, 300), (200, 200, 200)).save(tmp_path / "table.png")
    given = ["inspect", str(tmp_path / "table.png"), "--artwork", str(tmp_path / "LIST.csv")]
    assert main(given) == 2
    assert "table.png shows none of the artworks" in capsys.readouterr().err
    assert main([*given, "--size", "80mm"]) == 2
    assert "a job list tells the sizes itself" in capsys.readouterr().err
    assert main([*given[:-1], str(tmp_path)]) == 2
    assert "the size of the piece is not told" in capsys.readouterr().err


# ---------------------------------------------------------------- the list


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("artwork,size,shape,colour\na.png,90mm,rect,red\n", "a column 'colour' that is not known"),
        ("artwork,shape\na.png,rect\n", "no column 'size'"),
        ("artwork,size,shape,count\na.png,90mm,rect,-2\n", "line 2: '-2' is no count"),
        ("artwork,size,shape,count\nb.png,90mm,rect,1\n", "line 2: there is no artwork"),
        ("artwork,size\na.png,90 furlongs\n", "line 2"),
        ("artwork,size,shape\na.png,90x80mm,round\n", "a round piece has one diameter"),
        ("artwork,size,shape\na.png,90mm,hexagon\n", "'hexagon' is no shape"),
        ("artwork,size\na.png,90mm\na.png,90mm\n", "line 3 repeats"),
        ("artwork,size\na.png,90mm,rect\n", "3 cells for 2 columns"),
        ("artwork,size\n", "lists no artwork"),
        ("", "no column 'artwork'"),
    ],
)
def test_a_list_that_cannot_be_used_is_refused_in_one_line(tmp_path: Path, text: str, says: str) -> None:
    (tmp_path / "a.png").write_bytes(b"x")
    (tmp_path / "LIST.csv").write_text(text, encoding="utf-8")
    with pytest.raises((DataError, FileError)) as e:
        load_jobs(tmp_path / "LIST.csv")
    assert says in e.value.message
    assert "LIST.csv" in e.value.message


def test_lists_of_spreadsheets_are_read(tmp_path: Path) -> None:
    (tmp_path / "a.png").write_bytes(b"x")
    (tmp_path / "LIST.csv").write_bytes("\ufeffArtwork;Size;Count\r\na.png;9cm;\r\n\r\n".encode())
    (job,) = load_jobs(tmp_path / "LIST.csv")
    assert (job.name, job.size_mm, job.shape, job.count) == ("a.png", (90.0, 90.0), "rect", None)


# ---------------------------------------------------------------- files and locks


def test_two_batches_on_one_folder_are_refused(tmp_path: Path) -> None:
    first, second = held(tmp_path, tmp_path / "a.jsonl"), held(tmp_path, tmp_path / "b.jsonl")
    with first, pytest.raises(UsageError, match="another batch"), second:
        pass
    with held(tmp_path, tmp_path / "b.jsonl"):
        pass


@pytest.mark.parametrize("text", ["hello", "hello\n", '{"schema": "colorcheck-reading/1"}\n', '{"schema": "color'])
def test_a_file_of_something_else_is_kept(tmp_path: Path, text: str) -> None:
    path = tmp_path / "out.jsonl"
    path.write_text(text)
    if '"color' in text and not text.endswith("\n"):
        assert open_book(path).lines == []  # what an interruption left of the first line
        return
    with pytest.raises(DataError, match="exists and holds no results"):
        open_book(path)
    assert path.read_text() == text


def test_what_was_said_of_a_half_copied_photo_is_forgotten_when_it_is_whole(tmp_path: Path) -> None:
    book = open_book(tmp_path / "out.jsonl")
    book.add([refused("a.jpg", "1" * 64, "cut short")])
    book.add([refused("b.jpg", "2" * 64, "bad")])
    book.add([{**refused("a.jpg", "3" * 64, "bad piece"), "piece": 1, "pieces": 1}])
    assert [(line["photo"], line["piece"]) for line in open_book(book.path).lines] == [("b.jpg", None), ("a.jpg", 1)]
    assert book.lines == open_book(book.path).lines


def test_a_full_disk_leaves_what_was_written(tmp_path: Path) -> None:
    resource = pytest.importorskip("resource")
    book = open_book(tmp_path / "out.jsonl")
    book.add([refused("a.jpg", "1" * 64, "bad")])
    before = book.path.read_bytes()
    usual = resource.getrlimit(resource.RLIMIT_FSIZE)
    handler = signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    resource.setrlimit(resource.RLIMIT_FSIZE, (len(before) + 50, usual[1]))  # the next line fits in part
    try:
        with pytest.raises(FileError, match="free some space and start again"):
            book.add([refused("b.jpg", "2" * 64, "bad" * 50)])
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, usual)
        signal.signal(signal.SIGXFSZ, handler)
    assert book.path.read_bytes() == before
    assert not book.knows("b.jpg", "2" * 64)
    book.add([refused("b.jpg", "2" * 64, "bad")])
    assert len(open_book(book.path).lines) == 2


def test_half_copied_files_are_waited_for(tmp_path: Path) -> None:
    whole = b"\xff\xd8\xff" + b"x" * 1000 + b"\xff\xd9"
    path = tmp_path / "a.jpg"
    path.write_bytes(whole[:500])
    arrivals = Arrivals(tmp_path, ())
    assert arrivals.open
    assert arrivals.next() is None
    path.write_bytes(whole)
    assert arrivals.next() == path
    assert not arrivals.open


def test_new_photos_are_heard_of(tmp_path: Path) -> None:
    arrivals = Arrivals(tmp_path, (), watch=True)
    try:
        (tmp_path / ".a.jpg.part").write_bytes(b"\xff\xd8\xff" + b"x" * 100 + b"\xff\xd9")
        (tmp_path / ".a.jpg.part").rename(tmp_path / "a.jpg")
        until = time.monotonic() + 5
        while (got := arrivals.next()) is None and time.monotonic() < until:
            time.sleep(0.02)
        assert got == tmp_path / "a.jpg"
        assert arrivals.open
    finally:
        arrivals.close()


# ---------------------------------------------------------------- processes


def no_picture(folder: Path, count: int) -> None:
    """Files that are judged in no time."""
    folder.mkdir(exist_ok=True)
    for k in range(count):
        (folder / f"{k:02d}.jpg").write_text(f"no picture {k} " * 20)
        os.utime(folder / f"{k:02d}.jpg", (1e9, 1e9))


def nothing_to_tell(_: Any) -> Told:
    raise AssertionError("no photo is judged here")


def setup_for(folder: Path) -> Setup:
    artwork = loads.draw_artworks(np.random.default_rng(3), folder, 1)[0]
    job = Job(str(folder / artwork.name), artwork.size_mm, artwork.shape)  # type: ignore[arg-type]
    request = InspectRequest(photos=(), artwork="", size_mm=job.size_mm)
    return Setup(request, load_candidates([job], view="front"), nothing_to_tell)


def dies_at_first(mark: Path) -> None:
    """A worker's beginning that ends the process once, as a lack of memory would."""
    if not mark.exists():
        mark.touch()
        os.kill(os.getpid(), signal.SIGKILL)


def test_a_process_that_dies_costs_no_photo(tmp_path: Path) -> None:
    no_picture(tmp_path / "photos", 7)
    book = open_book(tmp_path / "out.jsonl")
    recorded: list[str] = []

    def keep(lines: Sequence[dict[str, Any]]) -> None:
        recorded.extend(line["photo"] for line in lines)

    crew = Crew(2, prepare=partial(dies_at_first, tmp_path / "mark"))
    run_batch(Arrivals(tmp_path / "photos", ()), book, setup_for(tmp_path), crew, done=lambda _: None, keep=keep)
    assert (tmp_path / "mark").exists()
    assert sorted(recorded) == [f"{k:02d}.jpg" for k in range(7)]
    assert sorted(line["photo"] for line in open_book(book.path).lines) == sorted(recorded)
    assert all("is text, not a picture" in line["error"] for line in book.lines)


@pytest.fixture
def cluster() -> Iterator[Any]:
    distributed = pytest.importorskip("distributed")
    with distributed.LocalCluster(2, threads_per_worker=1, processes=True, dashboard_address=None) as c:
        yield c


def test_a_cluster_does_the_same_work_and_may_be_lost(tmp_path: Path, cluster: Any) -> None:
    no_picture(tmp_path / "photos", 9)
    setup, crew = setup_for(tmp_path), Crew(1, cluster.scheduler_address)
    book = open_book(tmp_path / "out.jsonl")
    killed: list[int] = []

    def kill_one(_: Told) -> None:
        if not killed:
            killed.append(cluster.workers[0].pid)
            os.kill(killed[0], signal.SIGKILL)

    run_batch(Arrivals(tmp_path / "photos", ()), book, setup, crew, done=kill_one)
    assert sorted(line["photo"] for line in book.lines) == [f"{k:02d}.jpg" for k in range(9)]
    assert all("is text, not a picture" in line["error"] for line in book.lines)

    again = open_book(tmp_path / "again.jsonl")
    with pytest.raises(FileError, match="is lost: start it, then this again"):
        run_batch(Arrivals(tmp_path / "photos", ()), again, setup, crew, done=lambda _: cluster.close())
    stands = len(open_book(again.path).lines)
    assert 1 <= stands < 9


def test_a_scheduler_that_is_not_there_is_one_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    pytest.importorskip("distributed")
    no_picture(tmp_path / "photos", 1)
    loads.write_list(tmp_path / "LIST.csv", loads.draw_artworks(np.random.default_rng(3), tmp_path, 1))
    args = [
        "batch",
        str(tmp_path / "photos"),
        "--jobs",
        str(tmp_path / "LIST.csv"),
        "--json",
        str(tmp_path / "o.jsonl"),
    ]
    assert main([*args, "--scheduler", "bench:1"]) == 2
    assert capsys.readouterr().err.count("\n") == 1


def test_workers_end_when_their_parent_is_killed(tmp_path: Path) -> None:
    no_picture(tmp_path / "photos", 1)
    loads.write_list(tmp_path / "LIST.csv", loads.draw_artworks(np.random.default_rng(3), tmp_path, 1))
    args = ["--jobs", str(tmp_path / "LIST.csv"), "--json", str(tmp_path / "out.jsonl"), "--watch", "--workers", "1"]
    command = [sys.executable, "-m", "colorcheck", "batch", str(tmp_path / "photos"), *args]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
    assert process.stdout is not None
    with process.stdout:
        while "00.jpg" not in process.stdout.readline():
            pass
        process.kill()
        process.wait()
        assert process.stdout.read() == ""  # comes to its end when all that hold it have ended


def test_watch_judges_what_arrives_until_it_is_stopped(tmp_path: Path) -> None:
    (tmp_path / "photos").mkdir()
    loads.write_list(tmp_path / "LIST.csv", loads.draw_artworks(np.random.default_rng(3), tmp_path, 1))
    out, page = tmp_path / "out.jsonl", tmp_path / "day.html"
    args = ["batch", str(tmp_path / "photos"), "--jobs", str(tmp_path / "LIST.csv"), "--json", str(out)]
    # a shell that runs the tests in the background has its children not hear of Ctrl+C
    hears = "import signal; signal.signal(signal.SIGINT, signal.default_int_handler); "
    program = f"{hears}from colorcheck.__main__ import run; run()"
    command = [sys.executable, "-c", program, *args, "--report", str(page), "--watch", "--workers", "1"]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
    try:
        assert process.stdout is not None
        assert "Waiting for photos" in process.stdout.readline()
        no_picture(tmp_path / "photos", 1)
        assert "00.jpg is text, not a picture" in process.stdout.readline()
        until = time.monotonic() + 20
        while not page.exists() and time.monotonic() < until:
            time.sleep(0.05)
        assert 'http-equiv="refresh"' in page.read_text(encoding="utf-8")
        process.send_signal(signal.SIGINT)
        assert process.wait(30) == 0
        assert "in one photo" in process.stdout.read()
    finally:
        process.kill()
        process.wait()
        process.stdout.close()  # type: ignore[union-attr]
    assert 'http-equiv="refresh"' not in page.read_text(encoding="utf-8")
    assert [line["photo"] for line in lines_of(out)] == ["00.jpg"]
