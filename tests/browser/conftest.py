"""A real server, a real Chromium, small photos."""

from __future__ import annotations

import io
import json
import shutil
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from urllib.parse import quote

import numpy as np
import pytest
from driving import PATIENCE_MS, ROOT, SIZES, Server, serve
from PIL import Image

playwright = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
playwright.expect.set_options(timeout=PATIENCE_MS)  # its own 5 s are too few where many tests run at once

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
FLAGS = (
    "--no-sandbox",
    "--disable-gpu",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--disable-quic",
)


def pytest_collection_modifyitems(items):
    for item in items:
        if "browser" in str(item.path.parent.name):
            item.add_marker(pytest.mark.browser)
            # a page drawn anew under the driver's hand; a fault of the app fails both times
            item.add_marker(pytest.mark.flaky(reruns=1, only_rerun=["TimeoutError", "strict mode violation"]))
            if CHROMIUM is None:
                item.add_marker(pytest.mark.skip(reason="no Chromium on this machine"))


@pytest.hookimpl(hookwrapper=True)
def pytest_runtest_makereport(item, call):
    """Beside a failure stands what the pages said then: a timeout alone does not tell why."""
    report = (yield).get_result()
    group = getattr(item, "funcargs", {}).get("visitors")
    if report.when == "call" and report.failed and group is not None:
        for nth, page in enumerate(page for context in group.contexts for page in context.pages):
            report.sections.append((f"page {nth + 1}, {page.url}", page.inner_text("body")))


@pytest.fixture(scope="session")
def server(tmp_path_factory) -> Iterator[Server]:
    """The app on this machine only."""
    running = serve(tmp_path_factory.mktemp("app"))
    yield running
    running.stop()


@pytest.fixture(scope="session")
def browser():
    """One Chromium for all tests."""
    with playwright.sync_playwright() as p:
        one = p.chromium.launch(executable_path=CHROMIUM, args=list(FLAGS))
        yield one
        one.close()


@dataclass
class Visitors:
    """Opens pages as phones or desks, each its own user; notes every request that leaves the server."""

    browser: object
    url: str
    contexts: list = field(default_factory=list)
    strays: list = field(default_factory=list)

    def come(self, size: str = "phone", path: str = "", *, url: str | None = None, settings: dict | None = None):
        """A page on a phone or a desk; ``settings``: what was remembered on this device before."""
        width, height = SIZES[size]
        context = self.browser.new_context(
            viewport={"width": width, "height": height},
            is_mobile=size == "phone",
            has_touch=size == "phone",
            accept_downloads=True,
        )
        self.contexts.append(context)
        if settings is not None:
            kept = quote(json.dumps(settings), safe="")
            context.add_cookies([{"name": "toeline_settings", "value": kept, "url": url or self.url}])
        page = context.new_page()
        page.set_default_timeout(PATIENCE_MS)
        home = url or self.url
        page.on("request", lambda request: self._note(request.url, home))
        page.goto(f"{home}/{path}")
        return page

    def _note(self, asked: str, home: str) -> None:
        if not asked.startswith((home, home.replace("http", "ws", 1), "data:", "blob:")):
            self.strays.append(asked)


@pytest.fixture
def visitors(browser, server) -> Iterator[Visitors]:
    """Users of the app; at the end, nothing may have been asked of any other server."""
    group = Visitors(browser, server.url)
    yield group
    for context in group.contexts:
        context.close()
    assert group.strays == []


@dataclass(frozen=True)
class Picture:
    """A small photo with its truth: the bead's ends in its own px."""

    path: Path
    start: tuple[float, float]
    end: tuple[float, float]
    size: tuple[int, int]


@pytest.fixture(scope="session")
def pictures(tmp_path_factory) -> list[Picture]:
    """Usable photos of single beads on plate, demo photos first, at most 1600 px long."""
    folder = tmp_path_factory.mktemp("photos")
    truths = sorted((ROOT / "demo_images").glob("*.json")) or sorted(
        (ROOT.parent / "shared" / "photos" / "dev").glob("*.json")
    )
    found = []
    for truth_file in truths:
        truth = json.loads(truth_file.read_text("utf-8"))
        photo = truth_file.with_suffix(".jpg")
        if not isinstance(truth, dict) or not photo.exists() or not truth.get("usable"):
            continue
        if truth.get("kind") not in ("stringer", "weave") or not truth.get("bead"):
            continue
        with Image.open(photo) as image:
            exif = image.getexif()
            shrink = min(1.0, 1600 / max(image.size))
            small = image.convert("RGB").resize((round(image.width * shrink), round(image.height * shrink)))
        small.save(folder / photo.name, quality=88, exif=exif)
        seam = truth["bead"]["seam"]
        ends = [tuple(float(v) * shrink for v in seam[key]) for key in ("start_px", "end_px")]
        found.append(Picture(folder / photo.name, *ends, small.size))
    if not found:
        pytest.skip("no demo photos and no ../shared/photos")
    return found


@pytest.fixture(scope="session")
def no_weld(tmp_path_factory) -> Path:
    """A photo of nothing: sensor noise."""
    path = tmp_path_factory.mktemp("noise") / "bare.jpg"
    pixels = np.random.default_rng(4).integers(80, 140, (900, 1200, 3), dtype=np.uint8)
    Image.fromarray(pixels).save(path, quality=85)
    return path


@pytest.fixture(scope="session")
def class_photos(pictures, tmp_path_factory) -> list[Path]:
    """Twelve photos of coupons, named by person; the fifth is broken."""
    folder = tmp_path_factory.mktemp("class")
    names = ["ada", "bo", "cara", "dan", "eli", "finn", "gro", "hal", "ida", "jon", "kaja", "leif"]
    paths = []
    for number, name in enumerate(names):
        path = folder / f"{name}.jpg"
        with Image.open(pictures[number % min(len(pictures), 4)].path) as image:
            out = io.BytesIO()
            image.resize((image.width * 5 // 6, image.height * 5 // 6)).save(out, "JPEG", quality=80 + number)
        data = out.getvalue()
        path.write_bytes(data[: len(data) // 3] if number == 4 else data)
        paths.append(path)
    return paths
