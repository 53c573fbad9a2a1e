"""A real server, a real Chromium, small photos. Screenshots go to ``out/screens`` in the project's folder."""

from __future__ import annotations

import io
import json
import os
import shutil
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from urllib.error import HTTPError, URLError
from urllib.request import urlopen

import numpy as np
import pytest
from PIL import Image

playwright = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")

ROOT = Path(__file__).parents[2]
SCREENS = ROOT / "out" / "screens"
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
SIZES = {"phone": (360, 740), "desk": (1280, 800)}
PATIENCE_MS = 90_000


def pytest_collection_modifyitems(items):
    for item in items:
        if "browser" in str(item.path.parent.name):
            item.add_marker(pytest.mark.browser)
            if CHROMIUM is None:
                item.add_marker(pytest.mark.skip(reason="no Chromium on this machine"))


def _free_port() -> int:
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return one.getsockname()[1]


@dataclass
class Server:
    """A running app: its address, its process, what it printed."""

    url: str
    process: subprocess.Popen
    said: Path


def serve(folder: Path, **options: object) -> Server:
    """Start the app in its own process, with its own record."""
    port = _free_port()
    words = ", ".join(f"{name}={value!r}" for name, value in {"port": port, **options}.items())
    said = folder / "said.txt"
    env = os.environ | {"TOELINE_STORE": str(folder / "record.sqlite"), "HOME": str(folder)}
    with said.open("w") as out:
        process = subprocess.Popen(
            [sys.executable, "-c", f"from toeline_app import launch; launch({words})"],
            cwd=folder,
            env=env,
            stdout=out,
            stderr=out,
        )
    url = f"http://localhost:{port}"
    until = time.monotonic() + 180
    while time.monotonic() < until:
        try:
            urlopen(url, timeout=2).close()
            return Server(url, process, said)
        except HTTPError as asked:  # it answers, and asks for the code
            asked.close()
            return Server(url, process, said)
        except (URLError, ConnectionError):
            if process.poll() is not None:
                raise RuntimeError(said.read_text()) from None
            time.sleep(0.2)
    process.kill()
    raise RuntimeError(said.read_text())


@pytest.fixture(scope="session")
def server(tmp_path_factory) -> Iterator[Server]:
    """The app on this machine only."""
    running = serve(tmp_path_factory.mktemp("app"))
    yield running
    running.process.terminate()
    running.process.wait(20)


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

    def come(self, size: str = "phone", path: str = "", *, dark: bool = False, url: str | None = None):
        width, height = SIZES[size]
        context = self.browser.new_context(
            viewport={"width": width, "height": height},
            is_mobile=size == "phone",
            has_touch=size == "phone",
            color_scheme="dark" if dark else "light",
            accept_downloads=True,
        )
        self.contexts.append(context)
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


def look(page, name: str) -> None:
    """A screenshot of the whole page, to be looked at."""
    SCREENS.mkdir(parents=True, exist_ok=True)
    size = page.viewport_size
    page.wait_for_timeout(500)
    height = page.locator("[data-testid=stMain]").evaluate("e => e.scrollHeight")
    page.set_viewport_size({"width": size["width"], "height": min(height + 10, 5000)})
    page.wait_for_timeout(500)
    page.screenshot(path=SCREENS / f"{name}-{size['width']}.png")
    page.set_viewport_size(size)


def no_sideways_scroll(page) -> None:
    """Nothing is wider than the screen."""
    wide = page.evaluate("document.documentElement.scrollWidth - window.innerWidth")
    main = page.locator("[data-testid=stMain]").evaluate("e => e.scrollWidth - e.clientWidth")
    assert (wide, main) <= (0, 0)


def choose(page, *paths: Path, which: int = 0) -> None:
    """Hand photos to a file chooser."""
    page.locator("input[type=file]").nth(which).set_input_files([str(path) for path in paths])


def settled(page) -> None:
    """Wait until the page's script has run through."""
    page.wait_for_timeout(300)
    page.locator("[data-testid=stApp][data-test-script-state=notRunning]").wait_for()
