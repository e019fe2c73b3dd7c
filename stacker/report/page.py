"""The record of a fusion for people: one HTML page that needs nothing beside it.

Everything shown comes from the record and the small pictures; the template lays it out.
The page's policy (Content-Security-Policy) allows its own style sheet and script, by
hash, and ``data:`` pictures, and nothing else: no network. Where a folder of tiles lies
beside the page, pictures from there are allowed too. Without script the page shows all
but the viewer.
"""

import hashlib
import json
import re
from base64 import b64encode
from collections.abc import Mapping, Sequence
from functools import cache
from importlib import resources
from pathlib import PurePath
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from stacker.report.charts import line_charts, share_chart
from stacker.report.colours import cividis, frame_colours, hex_colour, ink_on
from stacker.report.images import EmbeddedImage, PageImages
from stacker.report.record import Record
from stacker.report.wording import FILTERS, capture_columns, place_mark, plain, visible

__all__ = ["frames_of_page", "render_page"]

MARKS = {"good": "✓", "look": "▲", "reshoot": "✕"}
SEVERITIES = {"note": "note", "look": "look", "reshoot": "shoot again"}
SCALE_STOPS = 17
"""Stops of the colour scale: the steps between are below what can be seen."""
_FRAME_IMAGE = re.compile(
    r'<img src="(data:image/jpeg;base64,[\w+/=]+)" '
    r'width="(\d+)" height="(\d+)" data-frame="(\d+)"'
)
SCRIPTS = ("values.js", "viewer.js", "page.js")


def render_page(record: Record, images: PageImages) -> str:
    """Lay out the page of one fusion.

    Parameters
    ----------
    record : dict
        What `build_record` answers.
    images : PageImages
        The pictures to embed; one `PlaceImages` for each of the record's places, or
        none at all.

    Returns
    -------
    str
        A whole HTML document. Text from files and metadata is escaped.
    """
    places = [
        {**place, "mark": place_mark(i, record["places"]), "images": shown}
        for i, (place, shown) in enumerate(
            zip(record["places"], images.places, strict=False)
        )
    ]
    style, script = _style(record, places), _script()
    cells = record["coverage"]["cells"]
    return (
        _environment()
        .get_template("page.html.j2")
        .render(
            record=record,
            images=images,
            title=visible(PurePath(record["outputs"]["master"]).stem),
            record_file=PurePath(record["outputs"]["report_json"]).name,
            policy=_policy(style, script, has_tiles="tiles" in record),
            style=Markup(style),  # noqa: S704  # our own sheet and numbers only
            script=Markup(script),  # noqa: S704  # our own
            data=Markup(_data(record, places)),  # noqa: S704  # no "<" in it
            marks=MARKS,
            severities=SEVERITIES,
            places=places,
            patches=record.get("patches", []),
            preview_note=_preview_note(record, images),
            summary=_summary(record),
            scale_stops=_scale_stops(),
            depth_ends=_depth_ends(record),
            n_frames=len(record["frames"]),
            grid_lines=_grid_lines(cells),
            cell_font=round(
                0.36 * min(cells[0]["box"]["height"], cells[0]["box"]["width"]), 2
            ),
            colour=record["inputs"]["frames"][0]["channels"] > 1,
            chart=share_chart(record["frames"]),
            charts=line_charts(record),
            any_frame_warning=any(f["warnings"] for f in record["frames"]),
            exposures=capture_columns(record["inputs"]["frames"]),
            any_checksum=any(f["sha256"] for f in record["inputs"]["frames"]),
            grid_rows=_grid_rows(cells),
            details=_details(record),
        )
    )


def frames_of_page(html: str, n_frames: int) -> tuple[EmbeddedImage | None, ...]:
    """Find the small pictures of the frames in a page that `render_page` has made.

    Reading large frames again only to show them small would take longer than patching.

    Parameters
    ----------
    html : str
        The page.
    n_frames : int
        Frames in the bracket.

    Returns
    -------
    tuple of (EmbeddedImage or None)
        One entry per frame; None where the page has no picture of it.
    """
    found = {
        int(number): EmbeddedImage(url=url, width=int(width), height=int(height))
        for url, width, height, number in _FRAME_IMAGE.findall(html)
    }
    return tuple(found.get(k) for k in range(n_frames))


@cache
def _environment() -> Environment:
    environment = Environment(
        loader=PackageLoader("stacker.report"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
    )
    environment.filters.update(FILTERS)
    return environment


def _style(record: Record, places: Sequence[Mapping[str, Any]]) -> str:
    """Write the style sheet with this page's colours and places: no style attributes."""
    sheet = resources.files("stacker.report") / "templates" / "page.css"
    lines = [sheet.read_text("utf-8").rstrip()]
    for k, rgb in enumerate(frame_colours(len(record["frames"]))):
        colour = hex_colour(rgb)
        lines.append(
            f".c{k} {{ fill: {colour}; background: {colour}; color: {ink_on(rgb)}; }}"
        )
    size = record["size"]
    for i, place in enumerate(places):
        left = 100 * place["box"]["column"] / size["width"]
        top = 100 * place["box"]["row"] / size["height"]
        lines.append(f".pin-{i} {{ left: {left:.2f}%; top: {top:.2f}%; }}")
    lines.append(f".stage {{ aspect-ratio: {size['width']} / {size['height']}; }}")
    return "\n".join(lines) + "\n"


def _script() -> str:
    folder = resources.files("stacker.report") / "templates"
    parts = [(folder / name).read_text("utf-8") for name in SCRIPTS]
    return '"use strict";\n' + "\n".join(parts)


def _data(record: Record, places: Sequence[Mapping[str, Any]]) -> str:
    """Write what the script works with as JSON in which no markup can be."""
    values = {
        **record["size"],
        "frames": [
            {"name": visible(PurePath(f["file"]).name), "used": f["used"]}
            for f in record["frames"]
        ],
        "distances": record["depth"].get("distance_mm"),
        "colours": "".join(hex_colour(rgb)[1:] for rgb in cividis()),
        "cells": [
            {"box": c["box"], "frame": c["frames"][0]["frame"]}
            for c in record["coverage"]["cells"]
        ],
        "places": [
            {
                "mark": p["mark"],
                "box": p["box"],
                "message": visible(p["message"]),
                "frames": [k for k, _ in p["images"].sources],
            }
            for p in places
        ],
        "tiles": record.get("tiles"),
    }
    return json.dumps(values).replace("<", "\\u003c")


def _policy(style: str, script: str, *, has_tiles: bool) -> str:
    beside = " 'self' file:" if has_tiles else ""
    return (
        f"default-src 'none'; img-src data:{beside}; style-src '{_digest(style)}'; "
        f"script-src '{_digest(script)}'; base-uri 'none'; form-action 'none'"
    )


def _digest(text: str) -> str:
    digest = b64encode(hashlib.sha256(text.encode("utf-8")).digest()).decode("ascii")
    return f"sha256-{digest}"


def _preview_note(record: Record, images: PageImages) -> str:
    width, height = record["size"]["width"], record["size"]["height"]
    shown = images.picture
    if (shown.width, shown.height) == (width, height):
        return "The fused picture at full size, in sRGB."
    return (
        f"Preview in sRGB, {_dimensions(shown.width, shown.height)}; "
        f"the master has {_dimensions(width, height)}."
    )


def _dimensions(width: int, height: int) -> str:
    return f"{width} \N{MULTIPLICATION SIGN} {height} px"


def _summary(record: Record) -> list[tuple[str, str]]:
    frames = record["frames"]
    n_used = sum(f["used"] for f in frames)
    used = f"{len(frames)}" if n_used == len(frames) else f"{n_used} of {len(frames)}"
    size = record["size"]
    first_input = record["inputs"]["frames"][0]
    megapixels = f"{size['width'] * size['height'] / 1e6:.1f} MP"
    reference_name = PurePath(frames[record["reference"]]["file"]).name
    kind = "colour" if first_input["channels"] > 1 else "grey"
    return [
        ("Master", plain(record["outputs"]["master"])),
        ("Size", f"{_dimensions(size['width'], size['height'])}, {megapixels}"),
        ("Frames fused", f"{used}, {first_input['bit_depth']}-bit {kind}"),
        (
            "Reference",
            f"frame {record['reference']}, {reference_name}",
        ),
        (
            "Depth confidence",
            f"{100 * record['depth']['mean_confidence']:.0f} % on average",
        ),
        ("Time", plain(record["timings_s"]["total"], "s")),
        ("Peak memory", plain(record["peak_memory_bytes"], "bytes")),
    ]


def _details(record: Record) -> list[tuple[str, list[tuple[str, str]]]]:
    """Make the lists of the last section: heading, then label and value."""
    return [
        (
            "Settings",
            [*_flat(record["settings"]), ("fingerprint", record["settings_digest"])],
        ),
        ("Timings", [(k, plain(v, "s")) for k, v in record["timings_s"].items()]),
        (
            "Files written",
            [(k.replace("_", " "), v) for k, v in record["outputs"].items()],
        ),
        ("Versions", [(k, plain(v)) for k, v in record["environment"].items()]),
    ]


def _flat(values: Mapping[str, Any], prefix: str = "") -> list[tuple[str, str]]:
    """Nested settings as dotted names with their values."""
    rows = []
    for key, value in values.items():
        if isinstance(value, Mapping):
            rows += _flat(value, f"{prefix}{key}.")
        else:
            rows.append((prefix + key, plain(value)))
    return rows


def _scale_stops() -> list[dict[str, str]]:
    positions = [i / (SCALE_STOPS - 1) for i in range(SCALE_STOPS)]
    table = cividis()
    return [
        {"offset": f"{p:.4f}", "colour": hex_colour(table[round(255 * p)])}
        for p in positions
    ]


def _depth_ends(record: Record) -> list[str]:
    ends = [f"frame {k}" for k in record["depth"]["range"]]
    distances = record["depth"].get("distance_mm")
    if distances:
        ends = [
            f"{end} ({plain(d, 'mm')})"
            for end, d in zip(ends, (distances[0], distances[-1]), strict=True)
        ]
    return ends


def _grid_lines(cells: Sequence[Mapping[str, Any]]) -> dict[str, list[int]]:
    """Inner borders of the grid, in pixels of the master."""
    return {
        "rows": sorted({c["box"]["row"] for c in cells} - {0}),
        "columns": sorted({c["box"]["column"] for c in cells} - {0}),
    }


def _grid_rows(cells: Sequence[Mapping[str, Any]]) -> list[list[Mapping[str, Any]]]:
    n_rows = cells[-1]["row"] + 1
    return [[c for c in cells if c["row"] == i] for i in range(n_rows)]
