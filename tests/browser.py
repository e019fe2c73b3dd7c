"""A real browser for the tests of pages: Debian's Chromium, driven by playwright.

Both are wanted for tests only and may be absent; `chromium` then skips with a reason.
axe-core (the accessibility checker of the tests) is looked for in AXE_CORE, a path of
``axe.min.js``, and where ``npm install --no-save axe-core`` puts it.
"""

import os
from contextlib import contextmanager
from io import BytesIO
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

CHROMIUM = "/usr/bin/chromium"
# Without a sandbox of its own inside a container, and without looking for its maker.
FLAGS = (
    *("--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run"),
    *("--disable-background-networking", "--disable-component-update"),
    "--disable-sync",
)
AXE = Path(
    os.environ.get("AXE_CORE")
    or Path(__file__).parents[1] / "node_modules" / "axe-core" / "axe.min.js"
)
# WCAG 2.2, levels A and AA, in axe-core's names.
AXE_TAGS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]


@contextmanager
def chromium():
    """A running browser; skips the test where there is none."""
    sync_api = pytest.importorskip("playwright.sync_api")
    if not Path(CHROMIUM).exists():
        pytest.skip(f"no {CHROMIUM}: install Debian's package chromium")
    with sync_api.sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=CHROMIUM, args=list(FLAGS))
        try:
            yield browser
        finally:
            browser.close()


@contextmanager
def opened(browser, path, *, size=(1200, 900), scheme="light", **options):
    """A page from disk; fails the test on any error in the console or the network."""
    context = browser.new_context(
        viewport={"width": size[0], "height": size[1]}, color_scheme=scheme, **options
    )
    page = context.new_page()
    complaints: list[str] = []
    page.on("console", lambda m: complaints.append(f"{m.type}: {m.text}"))
    page.on("pageerror", lambda e: complaints.append(str(e)))
    page.on("request", lambda r: complaints.append(r.url) if is_remote(r.url) else None)
    page.goto(path.resolve().as_uri())
    page.wait_for_selector("body.ready")
    yield page
    assert complaints == []
    context.close()


def is_remote(url):
    return not url.startswith(("file:", "data:"))


def violations(browser, path, **options):
    """What axe-core finds, in its words."""
    if not AXE.exists():
        pytest.skip(f"no {AXE}: npm install --no-save axe-core, or set AXE_CORE")
    with opened(browser, path, bypass_csp=True, **options) as page:
        page.evaluate(AXE.read_text("utf-8"))
        answer = page.evaluate(
            "tags => axe.run(document, {runOnly: {type: 'tag', values: tags}})",
            AXE_TAGS,
        )
    return [
        f"{v['id']}: {v['help']} {[n['html'][:120] for n in v['nodes'][:3]]}"
        for v in answer["violations"]
    ]


def shot(locator):
    """A screenshot of an element as an array, (h, w, 3)."""
    image = Image.open(BytesIO(locator.screenshot())).convert("RGB")
    return np.asarray(image).astype(int)
