"""Ten browsers at once, two of them attacking: how long the others wait, against how long they wait without those two.

    python tests/benchmarks/bench_load.py [--photos 4] [--json FILE]

Run by hand; needs Chromium and the demo photos. Eight browsers each send a photo, wait for its outcome, think for a
few seconds and send the next. Then they do so again while two more send what costs a server most: photos of very many
scans, photos that swell when decoded, files that are no photos, uploads of nearly the largest size, wrong codes and
pages by the dozen. The ratio of the medians should stay under three. On a machine that is busy with other work the
ratio flatters: what the attackers add is then small against what is there already.
"""

from __future__ import annotations

import argparse
import asyncio
import io
import json
import os
import random
import shutil
import statistics
import struct
import sys
import tempfile
import time
import zlib
from pathlib import Path

import numpy as np
from PIL import Image
from playwright.async_api import Browser, Error, Page, async_playwright

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT / "tests" / "browser"))
from driving import serve  # noqa: E402

from conftest import CHROMIUM, FLAGS  # noqa: E402
from toeline_app.access_gate import VISITOR  # noqa: E402

OTHERS, ATTACKERS = 8, 2
THINK_S = (4.0, 9.0)
PATIENCE_MS = 300_000
CODE = "K7MR-2XPD"


def good_photos(folder: Path) -> list[Path]:
    """Demo photos as a phone would send them, each a little different, so that none is known already."""
    found = []
    for number, photo in enumerate(sorted((ROOT / "demo_images").glob("*.jpg"))[:8]):
        with Image.open(photo) as image:
            exif, small = image.getexif(), image.convert("RGB")
            small.thumbnail((1600, 1600))
        found.append(folder / f"good-{number}.jpg")
        small.save(found[-1], quality=90, exif=exif)
    return found


def hostile_files(folder: Path) -> list[Path]:
    """What costs most to decode or to hold."""
    out = io.BytesIO()
    pixels = np.random.default_rng(1).integers(0, 255, (2000, 2600, 3), dtype=np.uint8)
    Image.fromarray(pixels).save(out, "JPEG", quality=60, progressive=True)
    data = out.getvalue()
    last = data.rindex(b"\xff\xda")
    scans = data[:-2] + data[last:-2] * 15 + b"\xff\xd9"

    def chunk(kind: bytes, body: bytes) -> bytes:
        return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))

    size = 20_000
    swelling = (
        b"\x89PNG\r\n\x1a\n"
        + chunk(b"IHDR", struct.pack(">IIBBBBB", size, size, 8, 2, 0, 0, 0))
        + chunk(b"IDAT", zlib.compress(bytes(50_000_000), 9))
        + chunk(b"IEND", b"")
    )
    files = {
        "scans.jpg": scans,
        "swelling.png": swelling,
        "none.jpg": random.Random(2).randbytes(5_000_000),
        "large.jpg": b"\xff\xd8\xff" + bytes(55_000_000),
        "noise.jpg": data,
    }
    for name, content in files.items():
        (folder / name).write_bytes(content)
    return [folder / name for name in files]


async def come(browser: Browser, url: str) -> Page:
    """A browser of its own that has come in."""
    page = await (await browser.new_context(viewport={"width": 360, "height": 740})).new_page()
    page.set_default_timeout(PATIENCE_MS)
    await page.goto(f"{url}/access?code={CODE}")
    await page.get_by_role("heading", name="Measure a weld bead").wait_for()
    return page


async def send(page: Page, photo: Path, tag: int) -> float:
    """Send a photo and wait for its outcome, in s; ``tag`` makes its bytes new.

    As a new visitor: what a draft brings back has an outcome already.
    """
    await page.context.clear_cookies(name=VISITOR)
    await page.reload()
    chooser = page.locator("input[type=file][accept*='image']").first
    await chooser.wait_for(state="attached")
    if await page.locator(".tl-badge").count():
        raise SystemExit("an outcome stands on the page before a photo was sent")
    begun = time.monotonic()
    payload = {"name": photo.name, "mimeType": "image/jpeg", "buffer": photo.read_bytes() + struct.pack(">I", tag)}
    await chooser.set_input_files(payload)
    await page.locator(".tl-badge").first.wait_for()
    return time.monotonic() - begun


async def work(page: Page, photos: list[Path], count: int, rng: random.Random, waits: list[float]) -> None:
    """What an ordinary visitor does."""
    for number in range(count):
        await asyncio.sleep(rng.uniform(*THINK_S))
        waits.append(await send(page, photos[number % len(photos)], rng.getrandbits(32)))


async def attack(page: Page, url: str, files: list[Path], done: asyncio.Event) -> int:
    """Send what costs most, as fast as the page takes it, until told to stop; says how often."""
    sent = 0
    while not done.is_set():
        try:
            await page.goto(url)
            chooser = page.locator("input[type=file][accept*='image']").first
            await chooser.wait_for(state="attached", timeout=60_000)
            await chooser.set_input_files([str(one) for one in files])
            sent += len(files)
            for _ in range(20):
                await page.context.request.post(f"{url}/access", form={"code": "WRON-GONE"})
                await page.context.request.get(f"{url}/record")
        except Error:
            pass  # turned away, which is what should happen
        await asyncio.sleep(1.0)
    return sent


async def measure(url: str, folder: Path, count: int) -> dict[str, object]:
    """The waits of the others without and with the attackers, s."""
    photos, files = good_photos(folder), hostile_files(folder)
    waits: dict[str, list[float]] = {"quiet": [], "attacked": []}
    async with async_playwright() as p:
        browser = await p.chromium.launch(executable_path=CHROMIUM, args=list(FLAGS))
        pages = [await come(browser, url) for _ in range(OTHERS)]
        sent = 0
        for phase, waited in waits.items():
            done = asyncio.Event()
            enemies = [await come(browser, url) for _ in range(ATTACKERS)] if phase == "attacked" else []
            attacks = [asyncio.create_task(attack(page, url, files, done)) for page in enemies]
            rngs = [random.Random(seed) for seed in range(OTHERS)]
            shifted = [photos[k:] + photos[:k] for k in range(OTHERS)]
            await asyncio.gather(
                *(work(*each, count, rng, waited) for *each, rng in zip(pages, shifted, rngs, strict=True))
            )
            done.set()
            sent += sum(await asyncio.gather(*attacks))
        await browser.close()
    medians = {phase: statistics.median(waited) for phase, waited in waits.items()}
    longest = {phase: max(waited) for phase, waited in waits.items()}
    ratio = medians["attacked"] / medians["quiet"]
    return {
        "browsers": OTHERS,
        "attackers": ATTACKERS,
        "photos": OTHERS * count,
        "hostile_files": sent,
        "median_s": medians,
        "longest_s": longest,
        "ratio_of_medians": ratio,
        "load": os.getloadavg()[0],
    }


def main() -> None:
    """Start the app, measure, print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--photos", type=int, default=4, help="photos that each of the others sends in each phase")
    parser.add_argument("--json", type=Path)
    asked = parser.parse_args()
    folder = Path(tempfile.mkdtemp(prefix="toeline-load-"))
    running = serve(folder, host="0.0.0.0", code=CODE)
    try:
        found = asyncio.run(measure(running.url, folder, asked.photos))
    finally:
        running.stop()
        shutil.rmtree(folder, ignore_errors=True)
    print(json.dumps(found, indent=1))
    if asked.json:
        asked.json.write_text(json.dumps(found))


if __name__ == "__main__":
    main()
