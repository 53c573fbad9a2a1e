"""Starting the app and moving about in it. Screenshots go to ``out/screens`` in the project's folder."""

from __future__ import annotations

import os
import socket
import subprocess
import sys
import time
from dataclasses import dataclass
from pathlib import Path
from urllib.error import HTTPError
from urllib.request import urlopen

ROOT = Path(__file__).parents[2]
SCREENS = ROOT / "out" / "screens"
SIZES = {"phone": (360, 740), "desk": (1280, 800)}


def free_port() -> int:
    """A port nobody listens on."""
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
    port = options.pop("port", None) or free_port()
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
        except OSError:  # not up yet, or busy starting
            if process.poll() is not None:
                raise RuntimeError(said.read_text()) from None
            time.sleep(0.2)
    process.kill()
    raise RuntimeError(said.read_text())


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


def choose(page, *paths: Path) -> None:
    """Hand photos to the page's chooser of photos."""
    page.locator("input[type=file][accept*='image']").first.set_input_files([str(path) for path in paths])


def settled(page) -> None:
    """Wait until the page's script has run through."""
    page.wait_for_timeout(300)
    page.locator("[data-testid=stApp][data-test-script-state=notRunning]").wait_for()
