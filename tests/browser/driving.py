"""Starting the app and moving about in it. Screenshots go to ``out/screens`` in the project's folder."""

from __future__ import annotations

import os
import re
import socket
import ssl
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
PATIENCE_MS = 90_000


def free_port() -> int:
    """A port nobody listens on."""
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return one.getsockname()[1]


#: Runs before the app in its process and tells of every attempt to reach another machine. 192.0.2.1 is a documentation
#: address (RFC 5737) that a socket is pointed at, to learn this machine's own address; nothing is sent.
_WATCH = """
import sys
OURS = {None, "", "localhost", "127.0.0.1", "::1", "0.0.0.0", "::", "192.0.2.1"}
def watch(event, args):
    host = args[1][0] if event == "socket.connect" and isinstance(args[1], tuple) else None
    host = args[0] if event in ("socket.getaddrinfo", "socket.gethostbyname") else host
    if (host.decode() if isinstance(host, bytes) else host) not in OURS:
        print("OUTSIDE:", event, host, file=sys.stderr, flush=True)
sys.addaudithook(watch)
"""


@dataclass
class Server:
    """A running app: its address, its folder, its process, what it printed."""

    url: str
    folder: Path
    process: subprocess.Popen
    said: Path

    @property
    def record(self) -> Path:
        """Where its record lies."""
        return self.folder / "record.sqlite"

    def stop(self) -> None:
        """End it; it must not have tried to reach another machine."""
        self.process.terminate()
        self.process.wait(20)
        assert "OUTSIDE" not in self.said.read_text()


def serve(folder: Path, **options: object) -> Server:
    """Start the app in its own process, with its own record."""
    port = options.pop("port", None) or free_port()
    words = ", ".join(f"{name}={value!r}" for name, value in {"port": port, **options}.items())
    scheme, trusting = "http", None
    if certificate := options.get("certificate"):
        scheme, trusting = "https", ssl.create_default_context(cafile=certificate)
    running = Server(f"{scheme}://localhost:{port}", folder, None, folder / "said.txt")
    env = os.environ | {"TOELINE_STORE": str(running.record), "HOME": str(folder)}
    with running.said.open("w") as out:
        running.process = subprocess.Popen(
            [sys.executable, "-c", f"{_WATCH}\nfrom toeline_app import launch\nlaunch({words})"],
            cwd=folder,
            env=env,
            stdout=out,
            stderr=out,
        )
    until = time.monotonic() + 180
    while time.monotonic() < until:
        try:
            urlopen(running.url, timeout=2, context=trusting).close()
            return running
        except HTTPError as asked:  # it answers, and asks for the code
            asked.close()
            return running
        except OSError:  # not up yet, or busy starting
            if running.process.poll() is not None:
                raise RuntimeError(running.said.read_text()) from None
            time.sleep(0.2)
    running.process.kill()
    raise RuntimeError(running.said.read_text())


def look(page, name: str) -> None:
    """A screenshot of the whole page, to be looked at."""
    SCREENS.mkdir(parents=True, exist_ok=True)
    size = page.viewport_size
    height = page.locator("[data-testid=stMain]").evaluate("e => e.scrollHeight")
    page.set_viewport_size({"width": size["width"], "height": min(height + 10, 5000)})
    page.wait_for_timeout(200)
    page.screenshot(path=SCREENS / f"{name}-{size['width']}.png")
    page.set_viewport_size(size)


#: Visible controls and their boxes; a control inside a larger labelled one counts as the larger one.
TARGETS = """() => [...document.querySelectorAll(
    '[data-testid=stMain] button, [data-testid=stMain] summary, [data-testid=stMain] label:has(input), '
  + '[data-testid=stMain] a, [data-testid=stHeader] button')]
  .filter(e => e.checkVisibility({checkVisibilityCSS: true, checkOpacity: true}) && e.getClientRects().length)
  .filter(e => !e.closest(
    '[data-testid=stTooltipIcon], [data-testid=stTooltipHoverTarget], [class*=ComboBox], [role=group]'))
  .map(e => [e.innerText.slice(0, 40) || e.getAttribute('aria-label') || e.outerHTML.slice(0, 120),
             Math.round(e.getBoundingClientRect().width), Math.round(e.getBoundingClientRect().height)])
  .filter(([, w, h]) => w < 44 || h < 44)"""

#: Texts whose contrast with the first opaque ground behind them is less than WCAG 2.2 AA asks for.
FAINT = """() => {
  const rgb = s => { const m = s.match(/[\\d.]+/g); return m ? m.map(Number) : [0, 0, 0, 0]; };
  const light = c => { const f = v => { v /= 255; return v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4; };
    return 0.2126 * f(c[0]) + 0.7152 * f(c[1]) + 0.0722 * f(c[2]); };
  const over = (top, under) => { const a = top.length > 3 ? top[3] : 1;
    return [0, 1, 2].map(i => top[i] * a + under[i] * (1 - a)); };
  const ground = e => { const layers = []; let opacity = 1;
    for (let n = e; n; n = n.parentElement) { const s = getComputedStyle(n); opacity *= Number(s.opacity);
      const c = rgb(s.backgroundColor); if (c.length < 4) { layers.push(c); break; } if (c[3] > 0) layers.push(c); }
    let under = [255, 255, 255]; for (const c of layers.reverse()) under = over(c, under); return [under, opacity]; };
  const bad = [];
  for (const e of document.querySelectorAll('[data-testid=stApp] *')) {
    if (![...e.childNodes].some(n => n.nodeType === 3 && n.textContent.trim())) continue;
    if (!e.checkVisibility({checkVisibilityCSS: true, checkOpacity: true}) || e.closest('[disabled]')) continue;
    if (['SCRIPT', 'STYLE', 'NOSCRIPT'].includes(e.tagName) || !e.getClientRects().length) continue;
    const s = getComputedStyle(e), [under, opacity] = ground(e), ink = rgb(e instanceof SVGElement ? s.fill : s.color);
    const c = over([ink[0], ink[1], ink[2], (ink.length > 3 ? ink[3] : 1) * opacity], under);
    const [hi, lo] = [light(c), light(under)].sort((a, b) => b - a), ratio = (hi + 0.05) / (lo + 0.05);
    const big = parseFloat(s.fontSize) >= 24 || (parseFloat(s.fontSize) >= 18.66 && Number(s.fontWeight) >= 700);
    if (ratio < (big ? 3 : 4.5)) bad.push([e.textContent.trim().slice(0, 40), ratio.toFixed(2), ink.join()]);
  }
  return bad; }"""

#: Whether the page has taken on the theme that the device asks for.
THEME = """() => { const c = getComputedStyle(document.querySelector('[data-testid=stApp]')).backgroundColor;
  return c.match(/\\d+/g).slice(0, 3).reduce((a, b) => a + Number(b), 0) < 380 ? 'dark' : 'light'; }"""


def fits(page, name: str) -> None:
    """The page dark on a phone and light on a desk: nothing too wide, too faint or too small to hit; with pictures.

    What is faint depends on the theme alone, what is too wide or too small on the size alone.
    """
    came = page.viewport_size
    for theme, size in (("dark", "phone"), ("light", "desk")):
        page.emulate_media(color_scheme=theme)
        page.wait_for_function(f"({THEME})() === '{theme}'")
        width, height = SIZES[size]
        page.set_viewport_size({"width": width, "height": height})
        page.wait_for_timeout(200)
        look(page, f"{name}-{theme}")
        no_sideways_scroll(page)
        assert at_rest(page, FAINT) == [], (name, theme)
        assert at_rest(page, TARGETS) == [], (name, size)
    page.set_viewport_size(came)


def at_rest(page, faults: str) -> list:
    """The faults that stay when the page has come to rest: what is still being drawn is small and pale for a moment."""
    for _ in range(10):
        found = page.evaluate(faults)
        if not found:
            break
        page.wait_for_timeout(300)
    return found


def no_sideways_scroll(page) -> None:
    """Nothing is wider than the screen."""
    wide = page.evaluate("document.documentElement.scrollWidth - window.innerWidth")
    main = page.locator("[data-testid=stMain]").evaluate("e => e.scrollWidth - e.clientWidth")
    assert (wide, main) <= (0, 0)


def choose(page, *paths: Path) -> None:
    """Hand photos to the page's chooser of photos."""
    page.locator("input[type=file][accept*='image']").first.set_input_files([str(path) for path in paths])


def settled(page) -> None:
    """Wait until the page's script has run through and no further run has begun."""
    rest = page.locator("[data-testid=stApp][data-test-script-state=notRunning]")
    page.wait_for_timeout(300)
    for _ in range(20):
        rest.wait_for()
        page.wait_for_timeout(150)
        if rest.count():
            return


def picture_to_tap(page):
    """The picture that takes taps, as a locator, once the page is at rest: a new one comes before the last one goes."""
    settled(page)
    page.wait_for_function("document.querySelectorAll(\"iframe[title*='image_coordinates']\").length === 1")
    image = page.frame_locator("iframe[title*='image_coordinates']").locator("#image")
    image.wait_for()
    settled(page)
    return image


def press(page, name: str | re.Pattern) -> None:
    """Press a button once the page is at rest: what is still being drawn moves away from under a pointer."""
    button = page.get_by_role("button", name=name)
    button.first.wait_for()
    settled(page)
    button.first.click()


def fill_in(page, label: str | re.Pattern, text: str) -> None:
    """Type into a field and leave it, once the page is at rest: leaving a field has the page drawn anew."""
    settled(page)
    field = page.get_by_label(label, exact=True)
    field.fill(text)
    field.blur()
    settled(page)


def tick(page, says: str, within=None) -> None:
    """Tap a choice, a tick or a switch by its words, once the page is at rest."""
    settled(page)
    (within or page).get_by_text(says, exact=True).click()
    settled(page)


def set_choice(page, label: str, option: str) -> None:
    """Choose from a list by keyboard, as a screen reader's user would."""
    box = page.get_by_role("combobox", name=label, exact=True)
    wanted = page.get_by_role("option", name=re.compile(re.escape(option), re.IGNORECASE)).first
    box.scroll_into_view_if_needed()
    for _ in range(10):  # a list that opens while the page is drawn anew closes again
        box.press("ArrowDown")
        page.wait_for_timeout(300)
        if wanted.is_visible():
            break
    wanted.click()
    settled(page)


def unfold(page) -> None:
    """Open every fold, one after the other: each may have the page drawn anew."""
    shut = page.locator("details:not([open]) > summary")
    for _ in range(40):
        settled(page)
        if not shut.count():
            return
        shut.first.click()
    raise AssertionError("folds do not stay open")


def open_fold(page, says: str) -> None:
    """Open the fold with this heading; again where a redraw of the page closed it."""
    fold = page.locator("details", has=page.locator("summary", has_text=says)).first
    for _ in range(5):
        if fold.get_attribute("open") is None:
            fold.locator("summary").first.click()
        settled(page)
        if fold.get_attribute("open") is not None:
            return
    raise AssertionError(f"the fold {says!r} does not stay open")


def measured(page) -> None:
    """Wait until a photo's outcome is shown."""
    page.locator(".tl-badge").first.wait_for()
    settled(page)


def handed_over(page, button: str | re.Pattern[str]) -> bytes:
    """What a download button hands over, once the page is at rest."""
    page.get_by_role("button", name=button).first.wait_for()
    settled(page)
    with page.expect_download() as waiting:
        page.get_by_role("button", name=button).first.click()
    return waiting.value.path().read_bytes()
