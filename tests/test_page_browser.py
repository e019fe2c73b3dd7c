"""The report page in a real browser: what is seen, pointed at, typed and dragged."""

import re

import numpy as np
import pytest
import tifffile

from stacker import pipeline
from stacker.frame import Box, Finding
from stacker.pipeline import fuse_bracket
from stacker.report.colours import frame_colours
from stacker.settings import OutputSettings
from tests.browser import chromium, opened, shot, violations
from tests.made import made_result

SHAPE = (480, 640)
N_FRAMES = 5
MARKUP = "<img src=x onerror=alert(1)>&amp;'\""
MOVED = Finding(
    code="moved",
    message=f"Something moved {MARKUP}.",
    frames=(3,),
    region=Box(row=300, column=430, height=60, width=60),
)


def grey_of(k):
    """Brightness of frame k, 0..1: every frame is told from the others by it."""
    return 0.2 + 0.12 * k


def result_of(source):
    result = made_result(N_FRAMES, SHAPE, findings=(MOVED,))
    result.picture[:] = 52428  # 0.8
    result.picture[::2, ::2] -= 3000
    result.confidence[:100] = 0
    return result


@pytest.fixture(scope="module")
def page_file(tmp_path_factory):
    """A page made of files by the pipeline, the fusion itself replaced."""
    folder = tmp_path_factory.mktemp("page")
    for k in range(N_FRAMES):
        pixels = np.full((*SHAPE, 3), round(65535 * grey_of(k)), np.uint16)
        name = f"f{k} {MARKUP.replace('/', '')}.tif"
        tifffile.imwrite(folder / name, pixels, photometric="rgb", metadata=None)
    with pytest.MonkeyPatch.context() as patch:

        def fused(source, settings, *, transfer, on_event):
            for k in range(N_FRAMES):
                source.read(k)
            return result_of(source)

        patch.setattr(pipeline, "fuse_source", fused)
        outputs = OutputSettings(near_mm=300, far_mm=500)
        output = folder / "still <b>life.tif"
        fuse_bracket(sorted(folder.glob("f*.tif")), output, outputs=outputs)
    return folder / "still <b>life.report.html"


@pytest.fixture(scope="module")
def browser():
    with chromium() as running:
        yield running


@pytest.fixture
def page(browser, page_file):
    with opened(browser, page_file) as shown:
        yield shown


WIDE = (400, 2600)


@pytest.fixture(scope="module")
def tiled_page(tmp_path_factory):
    """A picture wider than the preview, of finest lines, with tiles beside the page."""
    folder = tmp_path_factory.mktemp("tiled")
    for k in range(2):
        pixels = np.full((*WIDE, 3), 20000 + k, np.uint16)
        path = folder / f"f{k}.tif"
        tifffile.imwrite(path, pixels, photometric="rgb", metadata=None)
    with pytest.MonkeyPatch.context() as patch:

        def fused(source, settings, *, transfer, on_event):
            for k in range(2):
                source.read(k)
            result = made_result(2, WIDE)
            result.picture[:] = 12000
            result.picture[:, ::2] = 52000
            return result

        patch.setattr(pipeline, "fuse_source", fused)
        outputs = OutputSettings(page_tiles=True)
        output = folder / "50% <i>wide #1.tif"
        fuse_bracket(sorted(folder.glob("f*.tif")), output, outputs=outputs)
    return folder / "50% <i>wide #1.report.html"


def grey(pixels):
    return float(np.median(pixels)) / 255


def number_after(word, text):
    found = re.search(rf"{word} (\d+)", text)
    assert found is not None, text
    return int(found[1])


def at_zoom(page):
    return float(page.inner_text("#zoom").split()[0])


@pytest.fixture
def bare(page):
    """The page without marks over the picture."""
    page.uncheck("#marks")
    return page


def test_first_screen_shows_verdict_picture_and_places(page):
    for selector in (".verdict", "#canvas", ".findings", "[data-show='0']"):
        box = page.locator(selector).bounding_box()
        assert box is not None, selector
        assert box["y"] + min(box["height"], 120) < 900, selector
    assert "Something moved" in page.inner_text(".findings")
    assert page.title().startswith("still <b>life")


def test_picture_is_drawn(bare):
    """A canvas that stays blank raises no error anywhere: look at its pixels."""
    pixels = shot(bare.locator("#canvas"))
    middle = pixels[pixels.shape[0] // 2, pixels.shape[1] // 4 : -pixels.shape[1] // 4]
    assert grey(middle) == pytest.approx(0.8, abs=0.03)


def test_names_with_markup_are_text(page):
    assert page.locator("img[src=x]").count() == 0
    assert MARKUP in page.inner_text(".findings")
    assert f"f3 {MARKUP}" in page.inner_text("#frames")


def test_pointing_tells_frame_depth_and_confidence_in_words(page):
    canvas = page.locator("#canvas")
    box = canvas.bounding_box()
    canvas.hover(position={"x": box["width"] / 2, "y": box["height"] * 0.6})
    words = page.inner_text("#readout")
    column = number_after("Column", words)
    assert column == pytest.approx(320, abs=3)
    assert "frame 2 (f2 " in words
    # Half way in reciprocal distance between 300 and 500 mm.
    assert re.search(r"Depth 2\.0, about 37[5-6] mm\. Confidence 80 %: certain", words)
    canvas.hover(position={"x": box["width"] / 2, "y": box["height"] * 0.05})
    assert "Confidence 0 %: a guess" in page.inner_text("#readout")


def test_wipe_shows_the_frame_beside_the_fused_picture(bare):
    """Left of the border fused, right of it the frame chosen, in its own brightness."""
    bare.select_option("#frame", "3")
    bare.fill("#wipe", "50")
    pixels = shot(bare.locator("#canvas"))
    height, width = pixels.shape[:2]
    rows = slice(height // 3, height // 2)
    assert grey(pixels[rows, width // 3 : width // 2 - 20]) == pytest.approx(
        0.8, abs=0.03
    )
    # gain_ev of the made result: below 0.02 EV.
    right = grey(pixels[rows, width // 2 + 20 : width * 2 // 3])
    assert right == pytest.approx(grey_of(3), abs=0.03)
    assert bare.get_attribute("#wipe", "aria-valuetext") == "50 % fused picture"


def test_border_is_dragged_with_the_mouse(bare):
    bare.select_option("#frame", "1")
    bare.fill("#wipe", "50")
    box = bare.locator("#canvas").bounding_box()
    y = box["y"] + box["height"] / 2
    bare.mouse.move(box["x"] + box["width"] / 2, y)
    bare.mouse.down()
    bare.mouse.move(box["x"] + box["width"] / 4, y)
    bare.mouse.up()
    assert int(bare.input_value("#wipe")) == pytest.approx(25, abs=1)


def test_switch_shows_the_leading_frame_and_comes_back(bare):
    bare.click("#do-switch")
    assert bare.get_attribute("#do-switch", "aria-pressed") == "true"
    # In the middle frame 2 leads.
    assert "(2)" in bare.inner_text("#frame option[value=auto]")
    pixels = shot(bare.locator("#canvas"))
    assert grey(pixels[pixels.shape[0] // 2, 100:-100]) == pytest.approx(
        grey_of(2), abs=0.03
    )
    bare.click("#do-switch")
    pixels = shot(bare.locator("#canvas"))
    middle = pixels[pixels.shape[0] // 2, 300:-300]
    assert grey(middle) == pytest.approx(0.8, abs=0.03)


def test_overlay_shows_the_frames_in_their_colours(bare):
    """At full strength the colour is that of the scale; lighter for later frames."""
    bare.check("input[value=frame]")
    bare.fill("#strength", "100")
    assert bare.locator("[data-legend=frame]").is_visible()
    pixels = shot(bare.locator("#canvas"))
    height, width = pixels.shape[:2]
    scale = min(width / SHAPE[1], height / SHAPE[0])
    left = (width - SHAPE[1] * scale) / 2
    for k, column in ((0, 20), (2, 320), (4, 620)):
        x = round(left + column * scale)
        found = np.median(pixels[:, x - 3 : x + 4].reshape(-1, 3), axis=0)
        np.testing.assert_allclose(found, frame_colours(N_FRAMES)[k], atol=3)
    bare.check("input[value=confidence]")
    pixels = shot(bare.locator("#canvas"))
    x = round(left + 300 * scale)
    assert grey(pixels[round(60 * scale), x - 5 : x + 5]) < 0.05
    assert grey(pixels[round(300 * scale), x - 5 : x + 5]) == pytest.approx(
        0.8, abs=0.02
    )
    bare.fill("#strength", "50")
    pixels = shot(bare.locator("#canvas"))
    assert grey(pixels[round(60 * scale), x - 5 : x + 5]) == pytest.approx(
        0.4, abs=0.04
    )


def test_a_place_is_shown_close_with_its_frame(page):
    page.click("[data-show='0']")
    assert page.inner_text("#readout").startswith("1: Something moved")
    assert page.get_attribute("[data-show='0']", "aria-current") == "true"
    assert at_zoom(page) >= 100
    assert page.evaluate("document.activeElement.id") == "canvas"
    leading = page.input_value("#frame")
    assert leading == "3"  # column 460 of 640: band 3 of 5


def test_zoom_by_wheel_keeps_the_place_under_the_pointer(page):
    canvas = page.locator("#canvas")
    box = canvas.bounding_box()
    spot = {"x": box["width"] * 0.6, "y": box["height"] * 0.4}
    before = at_zoom(page)
    canvas.hover(position=spot)
    words = page.inner_text("#readout")
    page.mouse.wheel(0, -300)  # not ours before a click: the page scrolls
    page.wait_for_timeout(50)
    assert at_zoom(page) == before
    canvas.click(position=spot)
    canvas.hover(position=spot)
    words = page.inner_text("#readout")
    page.mouse.wheel(0, -400)
    page.wait_for_timeout(50)
    assert at_zoom(page) > 1.5 * before
    page.mouse.move(0, 0)
    canvas.hover(position=spot)
    place = [int(n) for n in re.findall(r"\d+", words)[:2]]
    after = [int(n) for n in re.findall(r"\d+", page.inner_text("#readout"))[:2]]
    np.testing.assert_allclose(after, place, atol=2)


def test_keys_alone_do_everything(page):
    """From the top with Tab: reach the picture, move, zoom, compare, next place."""
    for _ in range(15):
        page.keyboard.press("Tab")
        if page.evaluate("document.activeElement.id") == "canvas":
            break
    assert page.evaluate("document.activeElement.id") == "canvas"
    fit = at_zoom(page)
    page.keyboard.press("+")
    page.wait_for_timeout(50)
    assert at_zoom(page) == pytest.approx(1.5 * fit, rel=0.02)
    start = page.inner_text("#readout")
    page.keyboard.press("ArrowRight")
    column = number_after("Column", page.inner_text("#readout"))
    assert column > number_after("Column", start) + 20
    page.keyboard.press("s")
    assert page.input_value("#wipe") == "0"
    frame = number_after("frame", page.inner_text("#readout"))
    page.keyboard.press("]")
    assert page.input_value("#frame") == str(frame + 1)
    page.keyboard.press("n")
    assert page.inner_text("#readout").startswith("1: ")
    page.keyboard.press("1")
    page.wait_for_timeout(50)
    page.keyboard.press("0")
    page.wait_for_timeout(50)
    assert at_zoom(page) == fit


def test_two_fingers_zoom_and_one_moves(browser, page_file):
    options = {"has_touch": True, "is_mobile": True}
    with opened(browser, page_file, size=(390, 844), **options) as page:
        session = page.context.new_cdp_session(page)
        page.locator("#canvas").scroll_into_view_if_needed()
        box = page.locator("#canvas").bounding_box()
        x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2

        def touch(kind, *places):
            points = [{"x": a, "y": b, "id": i} for i, (a, b) in enumerate(places)]
            session.send(
                "Input.dispatchTouchEvent", {"type": kind, "touchPoints": points}
            )

        before = at_zoom(page)
        touch("touchStart", (x - 20, y), (x + 20, y))
        for gap in (30, 40, 60):
            touch("touchMove", (x - gap, y), (x + gap, y))
        touch("touchEnd")
        page.wait_for_timeout(50)
        assert at_zoom(page) == pytest.approx(3 * before, rel=0.1)
        page.evaluate("document.getElementById('readout').textContent = ''")
        touch("touchStart", (x, y))
        first = page.inner_text("#readout")
        for by in (10, 25, 40):
            touch("touchMove", (x - by, y))
        touch("touchEnd")
        touch("touchStart", (x, y))
        touch("touchEnd")
        moved = page.inner_text("#readout")
        columns = [number_after("Column", w) for w in (first, moved)]
        assert columns[1] > columns[0] + 20


def test_buttons_do_what_they_say(page):
    fit = at_zoom(page)
    page.click("#do-zoom-in")
    page.click("#do-right")
    page.click("#do-down")
    words = page.inner_text("#readout")
    column, row = (int(n) for n in re.findall(r"\d+", words)[:2])
    assert column > 330
    assert row > 250
    page.click("#do-full")
    page.wait_for_timeout(50)
    assert at_zoom(page) in (100, fit)  # never smaller than the whole picture
    page.click("#do-fit")
    page.wait_for_timeout(50)
    assert at_zoom(page) == fit


@pytest.mark.parametrize(
    ("size", "scheme"),
    [((1440, 900), "light"), ((390, 844), "dark"), ((320, 640), "dark")],
)
def test_nobody_has_to_scroll_sideways_or_to_aim(browser, page_file, size, scheme):
    """Reflow to 320 px and targets of 24 px (WCAG 2.2, 1.4.10 and 2.5.8)."""
    with opened(browser, page_file, size=size, scheme=scheme) as page:
        width = page.evaluate("document.documentElement.scrollWidth")
        assert width <= size[0]
        small = page.evaluate(
            """[...document.querySelectorAll("button, select, summary, .places a")]
            .filter(e => e.offsetParent && e.getBoundingClientRect().height < 24)
            .map(e => e.outerHTML.slice(0, 80))"""
        )
        assert small == []
        ground = shot(page.locator("body"))[2, 2]
        assert (ground.mean() < 60) == (scheme == "dark")


@pytest.mark.parametrize(
    ("size", "scheme"), [((1440, 900), "light"), ((390, 844), "dark")]
)
def test_checker_of_accessibility_finds_nothing(browser, page_file, size, scheme):
    assert violations(browser, page_file, size=size, scheme=scheme) == []


def test_tiles_show_every_place_at_full_size(browser, tiled_page):
    """From the folder beside the page, from disk; a line is a pixel wide."""
    with opened(browser, tiled_page) as page:
        assert not page.locator("#soft").is_visible()
        page.uncheck("#marks")
        coarse = shot(page.locator("#canvas"))
        page.click("#do-full")
        page.click("#do-left")
        page.wait_for_timeout(300)
        assert at_zoom(page) == 100
        fine = shot(page.locator("#canvas"))
        middle = slice(fine.shape[0] // 2 - 20, fine.shape[0] // 2 + 20)
        assert fine[middle].std() > 60
        assert np.abs(np.diff(fine[middle, 100:300, 1], axis=1)).mean() > 100
        assert coarse[middle].std() < 40


def test_page_whose_tiles_are_gone_shows_the_preview(browser, tiled_page, tmp_path):
    alone = tmp_path / "alone.html"
    alone.write_bytes(tiled_page.read_bytes())
    context = browser.new_context()
    page = context.new_page()
    page.goto(alone.as_uri())
    page.wait_for_selector("body.ready")
    page.click("#do-full")
    page.wait_for_timeout(200)
    pixels = shot(page.locator("#canvas"))
    assert grey(pixels[pixels.shape[0] // 2]) > 0.3
    context.close()


def test_page_without_script_shows_everything_but_the_viewer(browser, page_file):
    context = browser.new_context(java_script_enabled=False)
    page = context.new_page()
    page.goto(page_file.resolve().as_uri())
    assert page.locator("#picture").is_visible()
    assert not page.locator("#canvas").is_visible()
    assert not page.locator("#do-fit").is_visible()
    assert page.locator("img[data-place]").first.is_visible()
    context.close()
