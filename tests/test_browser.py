"""The page in a real browser: every screen with real photos, at phone and desktop width, by keyboard, without a script.

Needs Debian's chromium and Playwright; the accessibility check also axe-core (npm), named by COLORCHECK_AXE.
Each is skipped with its reason where it is missing; ``.ci/run`` installs all of them.
"""

from __future__ import annotations

import os
import re
import shutil
import socket
import subprocess
import sys
import time
import urllib.request
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

playwright = pytest.importorskip("playwright.sync_api", reason="Playwright is not installed")
CHROMIUM = shutil.which("chromium")
pytestmark = [
    pytest.mark.skipif(CHROMIUM is None, reason="Debian's chromium is not installed"),
    pytest.mark.filterwarnings("ignore::ResourceWarning"),  # Playwright's own pipes
]
AXE = os.environ.get("COLORCHECK_AXE", "")
SCANS = Path(__file__).parents[1] / "scans"
WIDTHS = {"phone": (360, 740), "desk": (1280, 900)}
ANSWERS: list[str] = []  # of every kind, left by the tests before, for the last one to look at
SCREENS = ("/", "/target", "/check/target", "/check/piece", "/check/several", "/compare", "/prepare", "/presses")
SCREENS += ("/settings", "/open", "/profile", "/steps", "/setup", "/bench", "/camera")
_FLAGS = [
    *("--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run"),
    *("--disable-background-networking", "--disable-component-update", "--disable-sync"),
]


@pytest.fixture(scope="module")
def address(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    folder = tmp_path_factory.mktemp("served")
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    words = ["serve", "--port", str(port), "--data", str(folder / "data"), "--log", str(folder / "log.sqlite")]
    with subprocess.Popen([sys.executable, "-m", "colorcheck", *words, "--workers", "1", "--quiet"]) as server:
        url = f"http://127.0.0.1:{port}"
        for _ in range(600):
            try:
                urllib.request.urlopen(url, timeout=1).close()
                break
            except OSError:
                time.sleep(0.1)
        yield url
        server.terminate()


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with playwright.sync_playwright() as p:
        b = p.chromium.launch(executable_path=CHROMIUM, args=_FLAGS)
        yield b
        b.close()


@pytest.fixture
def visit(browser: Any, address: str) -> Iterator[Any]:
    """Open a page at a width; a fault in the console fails the test."""
    contexts, faults = [], []

    def go(width: str = "phone", path: str = "/", **options: Any) -> Any:
        w, h = WIDTHS[width]
        context = browser.new_context(viewport={"width": w, "height": h}, base_url=address, **options)
        context.set_default_timeout(40_000)
        contexts.append(context)
        page = context.new_page()
        page.on("pageerror", lambda e: faults.append(str(e)))
        fine = re.compile("400|ERR_FAILED")  # a form that is refused, a network that a test takes away
        page.on("console", lambda m: faults.append(m.text) if m.type == "error" and not fine.search(m.text) else None)
        page.on(
            "request", lambda r: faults.append(f"asks {r.url}") if not r.url.startswith((address, "data:")) else None
        )
        page.goto(path)
        return page

    yield go
    for c in contexts:
        c.close()
    assert not faults


# What fingers must hit is at least 44 px each way (WCAG 2.1, success criterion 2.5.5).
SMALL_TARGETS = """() => [...document.querySelectorAll('a, button, input:not([type=hidden]), select, summary, label')]
  .filter(e => e.tagName !== 'LABEL' || e.querySelector('input'))
  .filter(e => !(e.tagName === 'INPUT' && e.closest('label')))
  .filter(e => !e.closest('svg') && !e.classList.contains('skip')).filter(e => { const r = e.getBoundingClientRect();
    return r.width && r.height && (r.width < 43.5 || r.height < 43.5); }).map(e => e.outerHTML.slice(0, 120))"""
UNDER_THE_BUTTON = """() => { const e = document.activeElement, b = document.querySelector('form.sheet p.go button');
  if (!e || !b || e === b || e === document.body) return false;
  const r = e.getBoundingClientRect(); return r.bottom > b.getBoundingClientRect().top + 1 && r.height < 200; }"""


def little() -> Any:
    from tests.scenes import little_photo

    return {"name": "little.jpg", "mimeType": "image/jpeg", "buffer": little_photo()}


def fits(page: Any) -> bool:
    return bool(page.evaluate("document.documentElement.scrollWidth <= window.innerWidth + 1"))


# ---------------------------------------------------------------- what five people do, by the words on the screen


def test_first_target_from_making_it_to_the_verdict(visit: Any) -> None:
    page = visit("phone")
    page.get_by_role("link", name="A new blank or recipe").click()
    page.get_by_label("Size of the blank").fill("100")
    page.get_by_label("Through the glass").check()
    page.get_by_role("button", name="Make it").click()
    page.wait_for_url("**/pieces/**")
    assert page.get_by_text("not mirrored, and must not be").is_visible()
    assert fits(page)
    with page.expect_download() as got:
        page.get_by_role("link", name="Print file").click()
    assert Path(got.value.path()).read_bytes().startswith(b"%PDF")
    page.get_by_role("link", name="Target", exact=True).click()
    page.get_by_label("Photo or scan of the target").set_input_files(SCANS / "plaque-pale-spot.jpg")
    page.get_by_role("button", name="Read it").click()
    page.wait_for_url("**/pieces/**")
    head = page.locator("h1")
    assert "Press again" in head.inner_text()
    for width in ("desk", "phone"):
        page.set_viewport_size(dict(zip(("width", "height"), WIDTHS[width], strict=True)))
        box = head.bounding_box()
        assert box["y"] < 320, "the verdict is the first thing on the screen"
        biggest = page.evaluate(
            "Math.max(...[...document.querySelectorAll('main *')].map(e => parseFloat(getComputedStyle(e).fontSize)))"
        )
        assert float(head.evaluate("e => parseFloat(getComputedStyle(e).fontSize)")) == biggest
        assert fits(page)
    page.locator("svg a.tap").first.click()
    assert page.url.endswith("#finding-1")
    numbers = page.get_by_text("How the answer was reached")
    assert not numbers.is_visible()
    page.get_by_text("All maps and numbers").click()
    assert numbers.is_visible()
    assert page.locator("image").first.evaluate("e => e.href.baseVal").startswith("picture-")
    assert fits(page)


def test_spotted_piece_its_size_typed_wrongly_and_pressed_again(visit: Any) -> None:
    page = visit("phone")
    page.get_by_role("link", name="A finished piece").click()
    assert page.locator("#tally li.on").count() == 1
    page.get_by_label("Photo of the piece on white card").set_input_files(SCANS / "number-plaque.jpg")
    page.get_by_label("White sheet in the piece's place").set_input_files(SCANS / "number-plaque.jpg")
    assert page.locator("#tally li.on").count() == 2
    page.get_by_label("White sheet in the piece's place").set_input_files([])
    page.get_by_label("Artwork", exact=True).set_input_files(SCANS / "number-plaque.png")
    page.get_by_label("Through the glass").check()
    page.get_by_label("A name for it").fill("number 7")
    page.get_by_label("Size of the piece").fill("8x6")  # inches were meant, and are not said
    page.get_by_role("button", name="Check it").click()
    wrong = page.get_by_role("alert")
    assert "if inches were meant, write 8x6in" in wrong.inner_text()
    page.get_by_label("Size of the piece").fill("20x15")  # centimetres were
    page.get_by_role("button", name="Check it").click()
    page.wait_for_url("**/pieces/**")
    assert "centimetres were meant, write 20x15cm as 'Size of the piece'" in page.locator("main").inner_text()
    page.get_by_role("link", name="Photograph it again").click()
    page.get_by_label("Photo of the piece on white card").set_input_files(SCANS / "number-plaque.jpg")
    page.get_by_label("Size of the piece").fill("20x15cm")
    page.get_by_role("button", name="Check it").click()
    page.wait_for_url("**/pieces/**")
    assert "Press again" in page.locator("h1").inner_text()
    assert page.get_by_text("Burns:").is_visible(), "cautions stand beside advice that involves heat"
    assert fits(page)
    page.get_by_role("link", name="Check it again after pressing").click()
    assert page.get_by_label("Size of the piece").input_value() == "20x15cm"
    page.get_by_label("Photo of the piece on white card").set_input_files(SCANS / "number-plaque.jpg")
    page.get_by_role("button", name="Check it").click()
    page.wait_for_url("**/pieces/**")
    assert page.get_by_text("Since the earlier inspection").is_visible()
    assert "number 7" in page.locator(".which").inner_text()


def test_a_phone_out_of_reach_for_two_minutes(visit: Any) -> None:
    page = visit("phone", "/check/target")
    page.clock.install()
    page.get_by_label("Photo or scan of the target").set_input_files(little())
    page.get_by_label("A name for it").fill("out of reach")
    page.route("**/state?*", lambda route: route.abort())  # the network is gone as soon as the photo has been sent
    page.get_by_role("button", name="Read it").click()
    page.get_by_text("trying again").wait_for()
    for _ in range(12):
        page.clock.fast_forward(10_000)
    assert "/jobs/" in page.url
    assert page.get_by_text("trying again").is_visible()
    page.unroute("**/state?*")
    page.clock.fast_forward(10_000)
    page.wait_for_url("**/pieces/**")
    assert "out of reach" in page.locator(".which").inner_text()


@pytest.mark.parametrize("path", SCREENS)
@pytest.mark.parametrize("width", WIDTHS)
def test_every_screen_fits_and_is_named(visit: Any, width: str, path: str) -> None:
    page = visit(width, path)
    assert page.locator("h1").count() == 1
    assert fits(page)
    assert width != "phone" or not page.evaluate(SMALL_TARGETS)
    for field in page.locator("input:not([type=hidden]), select").all():
        assert field.evaluate("e => e.labels.length") >= 1


def over(page: Any) -> None:
    """Wait until a job is over."""
    for _ in range(300):
        if "/pieces/" in page.url or page.locator('#job[data-over="1"]').count():
            break
        page.wait_for_timeout(150)
    page.wait_for_load_state()
    assert "/pieces/" in page.url, page.locator("h1").inner_text()


def test_compare_profile_prepare_and_the_log(visit: Any) -> None:
    page = visit("phone", "/compare")
    for name, photo in (("oak 12", "clock-good.jpg"), ("elm 7", "plaque-wrong-curves.jpg")):
        page.goto("/check/target")
        page.set_input_files("#photos", SCANS / photo)
        page.fill("#piece", name)
        page.get_by_role("button", name="Read it").click()
        page.wait_for_url("**/pieces/**")
    page.get_by_role("button", name="Build a profile from it").click()
    page.wait_for_url("**/jobs/**")
    over(page)
    assert page.get_by_role("link", name="The profile (ICC)").is_visible()
    assert fits(page)
    page.get_by_role("link", name="Prepare a picture with it").click()
    page.set_input_files("#artwork", SCANS / "number-plaque.png")
    page.fill("#size", "200x150")
    page.get_by_role("button", name="Prepare it").click()
    page.wait_for_url("**/jobs/**")
    over(page)
    assert "Ready to print" in page.locator("h1").inner_text()
    assert fits(page)
    with page.expect_download() as got:
        page.get_by_role("link", name="Print file").click()
    assert Path(got.value.path()).read_bytes().startswith(b"%PDF")
    page.goto("/compare")
    for name in ("oak 12", "elm 7"):
        page.get_by_label(name).first.check()
    page.get_by_role("button", name="Compare").click()
    page.wait_for_url("**/jobs/**")
    over(page)
    assert page.locator("h1").inner_text().startswith("For photos")
    assert fits(page)
    page.goto("/presses")
    assert page.get_by_role("link", name="elm 7").first.is_visible()
    ANSWERS.extend(page.locator("a.row").evaluate_all("rows => rows.map(r => r.getAttribute('href'))"))
    page.fill("#text", "oak 12")
    page.get_by_role("button", name="Find").click()
    assert page.get_by_role("link", name="elm 7", exact=True).count() == 0
    page.get_by_role("button", name="What do the faults have in common").click()
    page.wait_for_url("**/jobs/**")
    over(page)
    assert fits(page)


def test_without_a_script(visit: Any) -> None:
    page = visit("phone", "/check/target", java_script_enabled=False)
    page.set_input_files("#photos", little())
    page.get_by_role("button", name="Read it").click()
    page.wait_for_url("**/pieces/**")
    assert "Accept" in page.locator("h1").inner_text()
    page.goto("/check/target")
    page.set_input_files("#photos", {"name": "a.jpg", "mimeType": "image/jpeg", "buffer": b"no picture"})
    page.get_by_role("button", name="Read it").click()
    assert "not a photo" in page.locator("#wrong").inner_text()


def test_by_keyboard_alone(visit: Any) -> None:
    page = visit("desk", "/target")
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.className") == "skip"
    for _ in range(30):
        page.keyboard.press("Tab")
        if page.evaluate("document.activeElement.id") == "size":
            break
    page.keyboard.type("60")
    seen = page.evaluate("getComputedStyle(document.activeElement).outlineStyle")
    assert seen != "none", "one sees where one is"
    page.keyboard.press("Enter")
    page.wait_for_url("**/pieces/**")
    assert "ready" in page.locator("h1").inner_text()


def test_no_field_in_use_lies_under_the_button(visit: Any) -> None:
    page = visit("phone", "/check/piece")
    page.evaluate("for (const d of document.querySelectorAll('details')) d.open = true")
    for _ in range(60):
        page.keyboard.press("Tab")
        assert not page.evaluate(UNDER_THE_BUTTON), page.evaluate("document.activeElement.outerHTML")
        if page.evaluate("document.activeElement.textContent") == "Check it":
            break
    else:
        raise AssertionError("the button is not reached")


def test_a_bad_file_keeps_the_form(visit: Any) -> None:
    page = visit("phone", "/check/target")
    page.fill("#piece", "board C")
    page.set_input_files("#photos", {"name": "notes.jpg", "mimeType": "image/jpeg", "buffer": b"no picture"})
    with page.expect_response("**/check/target?*") as got:
        page.get_by_role("button", name="Read it").click()
    assert got.value.status == 400
    page.locator("#wrong").wait_for()
    assert "notes.jpg is not a photo" in page.locator("#wrong").inner_text()
    assert page.locator("#piece").input_value() == "board C"
    assert page.get_by_role("button", name="Read it").is_enabled()


def test_dark_look_and_inches_are_remembered(visit: Any) -> None:
    page = visit("phone", "/settings")
    light = page.evaluate("getComputedStyle(document.body).backgroundColor")
    for label in ("inches", "°F", "dark"):
        page.get_by_label(label, exact=True).check()
    page.get_by_role("button", name="Keep").first.click()
    page.goto("/check/piece")
    assert page.evaluate("getComputedStyle(document.body).backgroundColor") != light
    assert "in inches; one number" in page.locator("#size-hint").inner_text()
    assert fits(page)


def test_several_pieces_at_once(visit: Any, tmp_path: Path) -> None:
    from tests.test_batch import make_day

    day = make_day(tmp_path, 3, 1, megapixels=0.5)
    page = visit("phone")
    page.get_by_role("link", name="Several pieces").click()
    photos = page.get_by_label("Photos of the pieces")
    photos.set_input_files([day.photo, SCANS / "clock-good.jpg"])
    art = day.arts[0]
    page.get_by_label("Artworks", exact=True).first.set_input_files(day.folder / art.name)
    page.get_by_label("Size of each piece").first.fill("x".join(f"{v:g}" for v in art.size_mm))
    page.get_by_role("group", name="Shape").first.get_by_label("Round" if art.shape == "round" else "Rectangle").check()
    page.get_by_role("button", name="Check them").click()
    page.wait_for_url("**/pieces/**")
    ANSWERS.append(page.url)
    page.get_by_role("link", name="Check more pieces").wait_for()  # it grows by itself
    assert page.get_by_role("heading", name="Not judged (1)").is_visible()
    assert art.name in page.locator("main").inner_text()
    assert fits(page)
    assert not page.evaluate(SMALL_TARGETS)
    page.get_by_role("link", name="Try again").click()
    assert page.get_by_text("Here already: load.jpg, clock-good.jpg.").is_visible()


def test_my_set_up_is_checked_by_its_words_and_used_afterwards(visit: Any, tmp_path: Path) -> None:
    from tests import scenes
    from tests.virtual import bench

    at = bench.save_all(bench.set_up(41), scenes.press("small"), tmp_path)
    page = visit("phone")
    page.get_by_text("Less often").click()
    page.get_by_role("link", name="Check my set-up").click()
    assert "Can my set-up be trusted?" in page.locator("h1").inner_text()
    page.get_by_label("Both lamps").set_input_files(at["both"])
    page.get_by_label("A name for it").fill("bench lamps")
    page.get_by_role("button", name="Check my set-up").click()
    wrong = page.get_by_role("alert")
    wrong.wait_for()
    assert "add 'First lamp alone' and 'Second lamp alone'" in wrong.inner_text()
    page.get_by_label("First lamp alone").set_input_files(at["lamp_a"])
    page.get_by_label("Second lamp alone").set_input_files(at["lamp_b"])
    page.get_by_label("The dark hole").set_input_files(at["black"])
    page.get_by_label("The sheet of paper").set_input_files(at["sheet"])
    page.get_by_role("button", name="Check my set-up").click()
    page.wait_for_url("**/jobs/**")
    over(page)
    ANSWERS.append(page.url)
    assert re.search("can be trusted|cannot be told", page.locator("h1").inner_text())
    for check in ("Tone curve", "Local brightening", "Steady light", "Flicker", "Stray light", "Lens"):
        assert page.get_by_role("rowheader", name=check).is_visible(), "each check's line, with nothing to open"
    assert page.get_by_role("heading", name="What it proves").is_visible()
    assert fits(page)
    assert not page.evaluate(SMALL_TARGETS)
    page.get_by_role("link", name="Check a target with it").click()
    assert page.get_by_label("Checked set-up").locator("option:checked").inner_text().startswith("bench lamps")
    page.get_by_label("Photo or scan of the target").set_input_files(at["earlier"])
    page.get_by_role("button", name="Read it").click()
    page.wait_for_url("**/jobs/**")
    over(page)
    assert page.get_by_text("Worked out with the check of your set-up (bench lamps)").is_visible()
    page.goto("/presses")
    assert page.get_by_role("link", name="bench lamps").first.is_visible()


@pytest.mark.skipif(not Path(AXE).is_file(), reason="axe-core is not installed (COLORCHECK_AXE)")
def test_no_remark_for_those_who_hear_or_do_not_see_well(visit: Any) -> None:
    """axe-core, all its rules, at both widths in the light look; in the dark one those that look at colours."""
    page = visit("phone", "/")
    script = Path(AXE).read_text(encoding="utf-8")
    bad = []

    def look(what: str, rules: str = "") -> None:
        found = page.evaluate("axe.run(document, {resultTypes: ['violations']" + rules + "})")["violations"]
        bad.extend(f"{page.url} {what}: {v['id']} {v['nodes'][0]['html'][:120]}" for v in found)

    for path in (*SCREENS, *ANSWERS):
        page.goto(path)
        page.evaluate("for (const d of document.querySelectorAll('details')) d.open = true")
        page.evaluate(script)
        look("phone")
        page.emulate_media(color_scheme="dark")
        look("phone, dark", ", runOnly: ['color-contrast', 'link-in-text-block']")
        page.emulate_media(color_scheme="light")
        page.set_viewport_size(dict(zip(("width", "height"), WIDTHS["desk"], strict=True)))
        look("desk")
        page.set_viewport_size(dict(zip(("width", "height"), WIDTHS["phone"], strict=True)))
    assert not bad
