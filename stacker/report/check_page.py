"""The report of a check for people: one HTML page that needs nothing beside it."""

import base64
import hashlib
from functools import cache
from importlib import resources
from io import BytesIO
from pathlib import PurePath
from typing import Any

import numpy as np
from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup
from PIL import Image

from stacker.inspection import Reading
from stacker.report.check_charts import check_charts
from stacker.report.colours import frame_colours, hex_colour, ink_on
from stacker.report.record import Record
from stacker.report.wording import FILTERS, capture_columns, visible

__all__ = ["render_check_page"]

MARKS = {"good": "✓", "look": "▲", "reshoot": "✕"}
SEVERITIES = {"note": "note", "look": "look", "reshoot": "shoot again"}


def render_check_page(record: Record, reading: Reading) -> str:
    """Lay out the page of one check.

    Parameters
    ----------
    record : dict
        What `build_check_record` answers.
    reading : Reading
        What it was made from, for the pictures.

    Returns
    -------
    str
        A whole HTML document. Text from files is escaped.
    """
    folders = {str(PurePath(f["file"]).parent) for f in record["frames"]}
    style = _style(len(record["frames"]))
    return (
        _environment()
        .get_template("check.html.j2")
        .render(
            record=record,
            title=visible(", ".join(sorted(folders))),
            policy=_policy(style),
            style=Markup(style),  # noqa: S704  # our own sheet and numbers only
            marks=MARKS,
            severities=SEVERITIES,
            thumbnail=_thumbnail(reading),
            cells=_cells(record, reading),
            charts=[
                Markup(chart.to_svg())  # noqa: S704  # words in it are escaped
                for chart in check_charts(reading)
            ],
            exposures=capture_columns(record["frames"]),
        )
    )


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


def _style(n_frames: int) -> str:
    """Write the style sheet with the colours of this page's frames."""
    folder = resources.files("stacker.report") / "templates"
    lines = [(folder / name).read_text("utf-8") for name in ("page.css", "check.css")]
    for k, rgb in enumerate(frame_colours(n_frames)):
        colour = hex_colour(rgb)
        lines.append(
            f".c{k} {{ fill: {colour}; background: {colour}; color: {ink_on(rgb)}; }}"
        )
    return "\n".join(lines) + "\n"


def _policy(style: str) -> str:
    digest = hashlib.sha256(style.encode("utf-8")).digest()
    return (
        "default-src 'none'; img-src data:; "
        f"style-src 'sha256-{base64.b64encode(digest).decode('ascii')}'; "
        "base-uri 'none'; form-action 'none'"
    )


def _thumbnail(reading: Reading) -> dict[str, Any]:
    """Show the first frame in grey, as the check saw it."""
    luma = reading.facts.frames[0].luma.astype(np.float32)
    image = Image.fromarray((np.clip(luma, 0, 1) * 255).round().astype(np.uint8))
    buffer = BytesIO()
    image.save(buffer, "JPEG", quality=88)
    data = base64.b64encode(buffer.getbuffer()).decode("ascii")
    return {
        "url": f"data:image/jpeg;base64,{data}",
        "width": image.width,
        "height": image.height,
    }


def _cells(record: Record, reading: Reading) -> list[dict[str, Any]]:
    """Boxes of the grid's cells, in pixels of the first frame, with their frame."""
    rows, columns = record["focus"]["grid"]["rows"], record["focus"]["grid"]["columns"]
    height, width = reading.facts.shape
    return [
        {
            "frame": frame,
            "x": round(j * width / columns, 1),
            "y": round(i * height / rows, 1),
            "width": round(width / columns, 1),
            "height": round(height / rows, 1),
        }
        for i, line in enumerate(record["focus"]["sharpest"])
        for j, frame in enumerate(line)
        if frame is not None
    ]
