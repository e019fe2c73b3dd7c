"""The record for programs and the page for people."""

import base64
import hashlib
import json
import re
from dataclasses import replace
from html.parser import HTMLParser
from importlib import resources
from io import BytesIO

import numpy as np
import pytest
from PIL import Image
from skimage.transform import SimilarityTransform

from stacker.errors import InputError
from stacker.frame import Box, Finding, FrameRecord
from stacker.report.colours import cividis, frame_colours, ink_on
from stacker.report.images import page_images, srgb_preview
from stacker.report.page import render_page
from stacker.report.record import build_record, record_json
from stacker.report.wording import percent, signed, visible
from tests.made import made_facts, made_result

MOVED = Finding(
    code="moved",
    message="Something moved.",
    severity="look",
    frames=(1, 2),
    region=Box(row=12, column=6, height=10, width=20),
    action="Shoot it again.",
)
LOST = Finding(
    code="lost", message="Frame 3 is of another picture.", severity="reshoot"
)
ASSUMED = Finding(code="profile_note", message="No profile.", severity="note")


class Page(HTMLParser):
    """Elements, attributes and text as a browser would see them."""

    def __init__(self, html):
        super().__init__()
        self.elements: list[tuple[str, dict[str, str]]] = []
        self.words: list[str] = []
        self.open: list[str] = []
        self.style = self.script = self.data = ""
        self.feed(html)
        self.text = " ".join(" ".join(self.words).split())

    def handle_starttag(self, tag, attrs):
        self.elements.append((tag, dict(attrs)))
        self.open.append(tag)

    def handle_endtag(self, tag):
        while self.open and self.open.pop() != tag:
            pass

    def handle_data(self, data):
        if "style" in self.open:
            self.style += data
        elif "script" in self.open:
            is_data = self.all("script")[-1].get("type") == "application/json"
            self.data += data if is_data else ""
            self.script += "" if is_data else data
        else:
            self.words.append(data)

    def all(self, tag):
        return [attrs for name, attrs in self.elements if name == tag]


def page_of(facts=None, result=None):
    result = made_result() if result is None else result
    facts = made_facts(result) if facts is None else facts

    def aligned(k, box):
        rows = slice(box.row, box.row + box.height)
        return result.picture[rows, box.column : box.column + box.width] // (k + 2)

    images = page_images(
        result,
        srgb_preview(result.picture, None),
        places=facts.places,
        aligned=aligned,
    )
    return render_page(build_record(facts), images)


def embedded(page, alt):
    url = next(i["src"] for i in page.all("img") if i["alt"].startswith(alt))
    head, data = url.split(";base64,")
    image = Image.open(BytesIO(base64.b64decode(data)))
    assert head == f"data:image/{str(image.format).lower()}"
    return image


# The record -----------------------------------------------------------------------


def test_record_has_every_key_of_the_contract():
    """Programs read these names: none may be missing or renamed."""
    record = build_record(made_facts(findings=(MOVED,)))
    assert record["schema"] == "stacker.report/1"
    assert record["software"] == {"name": "stacker", "version": "1.2.3"}
    assert record["created"] == "2025-03-14T11:00:05+00:00"
    for entry in record["inputs"]["frames"]:
        for key in (
            *("file", "width", "height", "bit_depth", "captured"),
            *("focal_length_mm", "f_number", "exposure_s", "iso", "focus_distance_mm"),
        ):
            assert key in entry
    assert record["settings"]["align"]["motion"] == "similarity"
    assert record["reference"] == 2
    for k, entry in enumerate(record["frames"]):
        assert entry["file"] == f"shots/f_{k:02}.tif"
        assert np.shape(entry["transform"]) == (3, 3)
        assert {"correlation", "gain_ev", "share", "warnings"} <= entry.keys()
    assert sum(f["share"] for f in record["frames"]) == pytest.approx(1)
    cells = record["coverage"]["cells"]
    assert len(cells) >= 8 * 6
    assert {"row", "column", "box", "frames"} <= cells[0].keys()
    assert {"frame", "share"} <= cells[0]["frames"][0].keys()
    assert record["depth"]["unit"] == "frame"
    assert record["depth"]["range"] == [0, 4]
    assert record["warnings"][0] == {
        "code": "moved",
        "message": "Something moved.",
        "severity": "look",
        "frames": [1, 2],
        "region": {"row": 12, "column": 6, "height": 10, "width": 20},
        "action": "Shoot it again.",
    }
    for stage in ("decode", "align", "measure", "fuse", "encode", "total"):
        assert stage in record["timings_s"]
    assert record["peak_memory_bytes"] == 300 << 20


def test_record_is_json_and_comes_back_the_same():
    record = build_record(made_facts(findings=(MOVED, ASSUMED)))
    text = record_json(record)
    assert text.endswith("}\n")
    assert json.loads(text) == record


def test_names_that_are_no_utf8_come_back_as_the_same_file():
    """A program must find the frame again under the name it reads."""
    names = ["a\udcff.tif", "ü.tif", 'q".tif', "n\n.tif", "e.tif"]
    text = record_json(build_record(made_facts(names=names)))
    read_back = json.loads(text.encode("utf-8"))
    assert [f["file"] for f in read_back["frames"]] == names
    assert "ü.tif" in text


def test_figures_that_are_no_json_are_refused():
    """NaN is no JSON: other readers would fail on the whole file."""
    record = build_record(replace(made_facts(), notes={"x": float("nan")}))
    with pytest.raises(InputError, match="report holds a value that JSON cannot"):
        record_json(record)


def test_distances_only_where_every_frame_has_one():
    distances = [300.0, 310.0, 320.0, 330.0, 340.0]
    known = build_record(made_facts(distances=distances))
    assert known["depth"]["distance_mm"] == distances
    partly = build_record(made_facts(distances=[300.0, None, 320.0, 330.0, 340.0]))
    assert "distance_mm" not in partly["depth"]


def test_motion_in_words_agrees_with_skimage():
    """Scale and rotation are those of the similarity, the shift that of the centre."""
    height, width = 48, 67
    made = SimilarityTransform(scale=1.023, rotation=0.012, translation=(3.5, -7.25))
    frame = FrameRecord(
        transform=made.params, correlation=1.0, gain_ev=(0.0,), share=0.2
    )
    result = made_result(frames=(frame,) * 5)
    entry = build_record(made_facts(result))["frames"][0]
    centre = np.array([[(width - 1) / 2, (height - 1) / 2]])
    np.testing.assert_allclose(entry["shift_px"], (made(centre) - centre)[0], atol=1e-3)
    assert entry["scale"] == pytest.approx(1.023, abs=1e-6)
    assert entry["rotation_deg"] == pytest.approx(np.degrees(0.012), abs=1e-4)


def test_motion_of_a_homography_is_that_at_the_centre():
    transform = np.array([[1.0, 0, 0], [0, 1, 0], [1e-4, 0, 1]])
    frame = FrameRecord(transform=transform, correlation=1.0, gain_ev=(), share=0.2)
    entry = build_record(made_facts(made_result(frames=(frame,) * 5)))["frames"][0]
    w = 1 + 1e-4 * 33
    assert entry["shift_px"][0] == pytest.approx(33 / w - 33, abs=1e-3)
    # At (x, y) the map x / w stretches by 1 / w**2 along x and 1 / w along y.
    assert entry["scale"] == pytest.approx(w**-1.5, abs=1e-6)


@pytest.mark.parametrize(
    ("findings", "level", "message"),
    [
        ((), "good", "5 of 5 frames fused, nothing to look at"),
        ((ASSUMED,), "good", "5 of 5 frames fused, nothing to look at"),
        ((MOVED, ASSUMED), "look", "5 of 5 frames fused, 1 thing to look at"),
        ((MOVED, MOVED), "look", "5 of 5 frames fused, 2 things to look at"),
        (
            (LOST, MOVED),
            "reshoot",
            "5 of 5 frames fused. Frame 3 is of another picture.",
        ),
    ],
)
def test_verdict_is_that_of_the_worst_finding(findings, level, message):
    record = build_record(made_facts(findings=findings))
    assert record["verdict"] == {"level": level, "message": message}


def test_files_and_frames_must_be_as_many():
    facts = made_facts()
    with pytest.raises(InputError, match="4 files but 5 frames"):
        build_record(replace(facts, infos=facts.infos[:4]))


# The page -------------------------------------------------------------------------


def test_page_needs_nothing_beside_it():
    """It must open from disk without a network."""
    page = Page(page_of())
    assert page.all("script") == [{"type": "application/json", "id": "data"}, {}]
    assert not page.all("link")
    for _, attrs in page.elements:
        for name in ("src", "href", "action", "srcset", "poster", "data"):
            if name in attrs:
                assert attrs[name].startswith(("data:", "#"))
        assert "style" not in attrs  # the policy forbids style attributes
        assert not any(name.startswith("on") for name in attrs)
    assert "url(" not in page.style.replace("url(#", "")
    assert "@import" not in page.style


def test_policy_allows_the_pages_own_style_and_script_and_no_more():
    """A wrong hash would leave the page without style or viewer."""
    page = Page(page_of())
    policy = next(
        m["content"]
        for m in page.all("meta")
        if m.get("http-equiv") == "Content-Security-Policy"
    )

    def digest(text):
        hashed = hashlib.sha256(text.encode()).digest()
        return f"'sha256-{base64.b64encode(hashed).decode()}'"

    assert policy == (
        f"default-src 'none'; img-src data:; style-src {digest(page.style)}; "
        f"script-src {digest(page.script)}; base-uri 'none'; form-action 'none'"
    )


HOSTILE = [
    "<script>alert(1)</script>.tif",
    '"><img src=x onerror=alert(1)>.tif',
    "a\nb\r\u2028c.tif",
    "\u202egpj.tif",
    "{{ 7 * 7 }}{% raw %}&amp;\udcff.tif",
]


def test_hostile_names_stay_text():
    """Names, messages, titles and settings from outside can not become elements."""
    finding = replace(MOVED, message=HOSTILE[0], action=HOSTILE[1])
    facts = made_facts(names=HOSTILE, findings=(finding,), stem=f"out/{HOSTILE[1]}")
    facts = replace(facts, settings={"x": HOSTILE[0], "y": {"z": HOSTILE[1]}})
    facts = replace(
        facts,
        frames=[replace(f, warnings=(HOSTILE[0], HOSTILE[1])) for f in facts.frames],
    )
    html = page_of(facts)
    html.encode("utf-8")
    page, harmless = Page(html), Page(page_of(made_facts(findings=(MOVED,))))
    assert len(page.all("script")) == len(harmless.all("script")) == 2
    assert page.script == harmless.script
    assert "<" not in page.data
    assert len(page.all("img")) == len(harmless.all("img"))
    assert HOSTILE[0] in page.text
    assert HOSTILE[1] in page.text
    assert r"a\nb\r\u2028c.tif" in page.text
    assert r"\u202egpj.tif" in page.text
    assert r"{{ 7 * 7 }}{% raw %}&amp;\udcff.tif" in page.text


def test_page_says_what_the_record_says():
    frames = list(made_result().frames)
    frames[3] = replace(frames[3], used=False, share=0.0, warnings=("Left out.",))
    result = made_result(frames=tuple(frames))
    distances = [300.0, 310.0, 320.0, 330.0, 340.0]
    facts = made_facts(result, distances=distances, findings=(MOVED, ASSUMED))
    page = Page(page_of(facts, result))
    for words in (
        "still life",
        "4 of 5 frames fused, 1 thing to look at",
        "1 look Something moved. Shoot it again.",
        "Frames 1, 2, 20 \N{MULTIPLICATION SIGN} 10 px at row 12, column 6",
        "2 note No profile.",
        "67 \N{MULTIPLICATION SIGN} 48 px",
        "reference",
        "left out",
        "+1.000",  # scale in percent
        "+0.010 \N{MINUS SIGN}0.020 0.000",  # light
        "f/8",
        "1/125",
        "align.motion similarity",
        "300 MiB",
        "frame 0 (300 mm)",
        "fingerprint 0123456789ab",
        "stacker 1.2.3",
    ):
        assert words in page.text.replace("\N{NO-BREAK SPACE}", " "), words


def test_page_is_good_for_those_who_cannot_see_it():
    """Alternative texts, headings of tables, a language, working jumps, no double ids."""
    page = Page(page_of(made_facts(findings=(MOVED,))))
    assert page.all("html")[0]["lang"] == "en"
    assert all(len(i["alt"]) > 10 or "hidden" in i for i in page.all("img"))
    assert all(t.get("scope") in ("row", "col") for t in page.all("th"))
    ids = [attrs["id"] for _, attrs in page.elements if "id" in attrs]
    assert len(ids) == len(set(ids))
    for link in page.all("a"):
        assert link["href"].removeprefix("#") in ids
    for graphic in page.all("svg"):
        assert graphic.get("aria-hidden") == "true" or graphic.get("aria-label")
    for _, attrs in page.elements:
        if attrs.get("role") == "region":
            assert attrs["tabindex"] == "0"  # scrolls by keyboard
        if "tabindex" in attrs:
            assert attrs["aria-label"]


def test_places_to_look_at_are_marked_on_the_picture():
    """Findings carry their number, further places letters; each is shown full size."""
    result = made_result(shape=(480, 640), n_frames=9)
    result.confidence[200:300, 300:400] = 0
    result.picture[200:300:2, 300:400] = 0  # texture that no depth is known for
    at = Box(row=380, column=500, height=40, width=60)
    findings = (ASSUMED, replace(MOVED, region=at, frames=(7,)))
    facts = made_facts(result, findings=findings)
    page = Page(page_of(facts, result))
    # A quarter of the picture each way, the finding's region in its middle.
    boxes = [r for r in page.all("rect") if r.get("class") == "region"]
    assert (boxes[0]["x"], boxes[0]["y"]) == ("450", "340")
    assert (boxes[0]["width"], boxes[0]["height"]) == ("160", "120")
    assert ".pin-0 { left: 70.31%; top: 70.83%; }" in page.style
    assert "2 Something moved." in page.text
    assert "A Texture with uncertain depth" in page.text
    crop = np.asarray(embedded(page, "Place 2 as fused")).astype(float)
    expected = result.picture[340:460, 450:610] / 257
    assert np.abs(crop - expected).mean() < 3  # JPEG
    leading = facts.places[0].frames[0].frame
    assert leading == result.coverage[400, 530]
    from_frame = np.asarray(embedded(page, f"Place 2 in frame {leading}"))
    assert np.abs(from_frame - expected / (leading + 2)).mean() < 3


def contrast(one, other):
    """Contrast ratio of two colours "#rrggbb" (WCAG 2.2)."""

    def luminance(colour):
        c = np.frombuffer(bytes.fromhex(colour[1:]), np.uint8) / 255
        c = np.where(c <= 0.04045, c / 12.92, ((c + 0.055) / 1.055) ** 2.4)
        return float(c @ [0.2126, 0.7152, 0.0722])

    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_text_contrast_in_both_schemes(scheme):
    """At least 4.5:1 for text (WCAG 2.2, 1.4.3, level AA)."""
    sheet = (resources.files("stacker.report") / "templates/page.css").read_text(
        "utf-8"
    )
    blocks = re.findall(r":root \{(.*?)\}", sheet, re.DOTALL)
    assert len(blocks) == 2
    block = blocks[0 if scheme == "light" else 1]
    colour = dict(re.findall(r"--([\w-]+): (#[0-9a-f]{6});", block))
    for ink in ("ink", "quiet", "link"):
        for ground in ("ground", "surface"):
            assert contrast(colour[ink], colour[ground]) >= 4.5
    for kind in ("good", "look", "reshoot", "note"):
        assert contrast(colour[f"{kind}-ink"], colour[f"{kind}-ground"]) >= 4.5


def test_frame_colours_rise_in_lightness_and_carry_readable_text():
    """Told apart without seeing hue; the numbers on them can be read."""
    table = cividis().astype(float)
    linear = (table / 255) ** 2.2
    luminance = linear @ [0.2126, 0.7152, 0.0722]
    assert luminance[-1] > 20 * luminance[0]
    steps = (frame_colours(9).astype(float) / 255) ** 2.2 @ [0.2126, 0.7152, 0.0722]
    assert (np.diff(steps) > 0).all()
    for rgb in cividis():
        assert contrast(ink_on(rgb), "#" + bytes(rgb).hex()) >= 4.5


def test_maps_show_what_the_result_holds():
    """Depth and coverage run from dark (first) to light (last), place for place."""
    result = made_result(n_frames=5, shape=(31, 90))
    page = Page(page_of(made_facts(result), result))
    coverage = np.asarray(embedded(page, "Coverage"))
    np.testing.assert_array_equal(coverage, result.coverage)  # a palette image
    palette = embedded(page, "Coverage").getpalette()[: 5 * 3]
    np.testing.assert_array_equal(np.reshape(palette, (5, 3)), frame_colours(5))
    depth = np.asarray(embedded(page, "Depth"))
    np.testing.assert_array_equal(depth, np.round(result.depth / 257).astype(np.uint8))
    confidence = np.asarray(embedded(page, "Confidence"))
    np.testing.assert_array_equal(confidence, result.confidence)
    picture = np.asarray(embedded(page, "The fused")).astype(float)
    assert np.abs(picture - result.picture / 257).mean() < 3  # JPEG


def test_large_pictures_are_reduced_and_small_ones_are_not():
    """The page stays small whatever the master's size, and never enlarges."""
    result = made_result(n_frames=3, shape=(1500, 4100))
    page = Page(page_of(made_facts(result), result))
    picture = embedded(page, "The fused")
    assert picture.size == (2048, 749)
    coverage = embedded(page, "Coverage")
    assert coverage.size == (1024, 375)
    # Numbers of frames must be sampled, not averaged into frames that are not there.
    shown = np.asarray(coverage)
    expected = result.coverage[:, (2 * np.arange(1024) + 1) * 4100 // 2048]
    np.testing.assert_array_equal(shown, expected[:375])
    assert "Preview in sRGB, 2048 \N{MULTIPLICATION SIGN} 749 px" in page.text
    assert "full size" in Page(page_of()).text


@pytest.mark.parametrize(
    ("n_frames", "shape", "colour"),
    [
        (2, (1, 50), True),
        (3, (7, 13), False),
        (300, (9, 400), True),
        (2, (40, 1), False),
    ],
)
def test_odd_brackets_get_a_page(n_frames, shape, colour):
    """One row, one column, grey, and more frames than a palette or uint8 can hold."""
    result = made_result(n_frames, shape, colour=colour)
    page = Page(page_of(made_facts(result), result))
    bars = [r for r in page.all("rect") if "bar" in r.get("class", "")]
    assert len(bars) == n_frames
    assert f"{n_frames} of {n_frames} frames fused" in page.text


def test_numbers_in_words():
    assert percent(0.1234).replace("\N{NO-BREAK SPACE}", " ") == "12.3 %"
    assert percent(0.0001).replace("\N{NO-BREAK SPACE}", " ") == "< 0.1 %"
    assert percent(0).replace("\N{NO-BREAK SPACE}", " ") == "0.0 %"
    assert signed(-0.5, 1) == "\N{MINUS SIGN}0.5"
    assert visible("a\tb\x1b[0m") == r"a\tb\x1b[0m"
