"""The page of all brackets: what it says, that it escapes, and how a browser shows it."""

import re
from pathlib import Path

import pytest
from PIL import Image

from stacker.hotfolder.index import IndexFacts, render_index, write_index
from stacker.hotfolder.journal import Fusion
from stacker.hotfolder.ledger import Entry
from tests.browser import chromium, opened, violations

MARKUP = "<img src=x onerror=alert(1)>&'\""


def entry(number, state="done", name=None, **more):
    return Entry(
        number=number,
        state=state,
        frames=((f"{MARKUP}1.tif", (1, 2)), ("b.tif", (3, 4))),
        reasons=("", ""),
        name=f"jug_{number:04}" if name is None else name,
        **more,
    )


def fusion(results, number, verdict="good", faults=()):
    message = f"30 of 30 frames fused, {len(faults) or 'nothing'} to look at"
    return Fusion(
        verdict=verdict,
        message=message,
        faults=faults,
        results=str(results),
        files={
            "master": f"a b#{number}.tif",
            "report_html": f"javascript:{number}.report.html",
            "thumbnail": f"index_files/{number}.jpg",
        },
        master=(5, 6),
        made_ns=1,
        created="2026-05-01T12:00:00+02:00",
        took_s=43.21,
        n_frames=30,
        width=11656,
        height=8742,
    )


@pytest.fixture
def facts(tmp_path):
    """One of everything, and more that are done than are shown."""
    (tmp_path / "index_files").mkdir()
    for number, width in ((1, 320), (2, 200), (3, 320)):
        image = Image.new("RGB", (width, 240), (40 * number, 90, 120))
        image.save(tmp_path / "index_files" / f"{number}.jpg")
    faults = tuple(f"Fault {i} {MARKUP}." for i in range(6))
    cut = ("f9.tif is cut off; left out",)
    return IndexFacts(
        folder=Path("/studio/incoming & more"),
        results=tmp_path,
        unfinished=[
            entry(4, "parked", "plate_0060", note="no two frames can be registered"),
            entry(5, "fusing"),
            entry(6, "waiting", ""),
            entry(7, "gathering", "", note="further frames"),
        ],
        latest=[
            (entry(2), fusion(tmp_path, 2, "look", cut)),
            (entry(3), fusion(tmp_path, 3, "reshoot", faults)),
            (entry(1), fusion(tmp_path, 1)),
        ],
        verdicts={"good": 401, "look": 1, "reshoot": 1},
        is_watch=True,
        is_running=True,
    )


def test_the_newest_comes_first_and_each_has_its_links(facts):
    page = render_index(facts)
    names = re.findall(r"<h3><bdi>(.*?)</bdi>", page)
    assert names == ["jug_0002", "jug_0003", "jug_0001"]
    assert 'href="./a%20b%231.tif"' in page
    assert 'href="./javascript%3A1.report.html"' in page


def test_counts_faults_and_what_is_to_be_done_are_told(facts):
    text = re.sub(r"<[^>]+>", " ", render_index(facts).split("</style>")[1])
    text = " ".join(text.split())
    for words in (
        *("401 good", "1 to look at", "1 to shoot again", "1 parked", "3 to be done"),
        *("f9.tif is cut off; left out", "and 3 more, see the report"),
        *("no two frames can be registered", "waits for further frames"),
        "And 400 earlier",
        "30 frames, 11656 \N{MULTIPLICATION SIGN} 8742 px, 43.2 s",
    ):
        assert words in text


def test_nothing_from_outside_becomes_markup(facts):
    page = render_index(facts)
    assert "<img src=x" not in page
    assert "onerror=alert(1)&gt;" in page
    assert "default-src &#39;none&#39;" in page
    assert not re.search(r"(?:src|href)=\"(?:https?:)?//", page)


def test_a_page_of_a_watch_that_has_ended_does_not_look_for_news(facts):
    from dataclasses import replace

    page = render_index(replace(facts, is_running=False))
    assert "Look for news" not in page
    assert "location.reload" not in page


def test_an_empty_page(tmp_path):
    page = render_index(
        IndexFacts(
            folder=tmp_path,
            results=tmp_path,
            unfinished=(),
            latest=(),
            verdicts={},
            is_watch=False,
            is_running=False,
        )
    )
    assert "no bracket yet" in page
    assert "Nothing yet" in page


@pytest.fixture(scope="module")
def browser():
    with chromium() as running:
        yield running


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [1280, 390])
def test_in_a_browser_from_disk(facts, browser, width, scheme):
    """Pictures are there, nothing complains, nothing runs over the edge."""
    write_index(facts)
    path = facts.results / "index.html"
    with opened(browser, path, size=(width, 900), scheme=scheme) as page:
        page.wait_for_function("[...document.images].every(i => i.complete)")
        sizes = page.evaluate("[...document.images].map(i => i.naturalWidth)")
        assert sizes == [200, 320, 320]
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        box = page.locator(".cover").first.bounding_box()
        assert box["width"] / box["height"] == pytest.approx(4 / 3, rel=0.01)
        assert page.get_by_label("Look for news").is_checked()
        page.keyboard.press("Tab")
        assert page.locator(":focus").inner_text() == "Skip to the brackets"


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_the_page_is_accessible(facts, browser, scheme):
    write_index(facts)
    assert violations(browser, facts.results / "index.html", scheme=scheme) == []
