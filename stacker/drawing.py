"""Figures made of boxes, lines and words: one model, written as SVG or as PNG.

A `Drawing` is a list of shapes in the order in which they are painted, on a white ground,
y downwards. Words are plain ASCII: the font that comes with Pillow has no more.
"""

from dataclasses import dataclass, field
from io import BytesIO
from typing import Literal, TypeAlias
from xml.sax.saxutils import escape

from PIL import Image, ImageDraw, ImageFont

__all__ = ["Anchor", "Box", "Drawing", "Line", "Words"]

Anchor: TypeAlias = Literal["start", "middle", "end"]

_PIL_ANCHORS: dict[Anchor, str] = {"start": "ls", "middle": "ms", "end": "rs"}
_PNG_SCALE = 2
"""Pixels per unit, for screens of twice the usual density and for print."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Box:
    """A filled rectangle; `fill` is a colour such as "#1f77b4"."""

    x: float
    y: float
    width: float
    height: float
    fill: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """A straight line."""

    x1: float
    y1: float
    x2: float
    y2: float
    colour: str
    width: float = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Words:
    """A line of text; `x`, `y` is its start, middle or end on the base line."""

    x: float
    y: float
    text: str
    size: float = 13.0
    colour: str = "#222222"
    anchor: Anchor = "start"


Shape: TypeAlias = Box | Line | Words


@dataclass(slots=True, kw_only=True)
class Drawing:
    """A figure.

    Attributes
    ----------
    width, height : int
        Size in units of about a screen's pixel.
    title : str
        What the figure shows, for people who cannot see it.
    shapes : list
        In the order in which they are painted.
    """

    width: int
    height: int
    title: str
    shapes: list[Shape] = field(default_factory=list)

    def to_svg(self) -> str:
        """Write the figure as an SVG 1.1 document."""
        head = (
            f'<svg xmlns="http://www.w3.org/2000/svg" role="img" width="{self.width}" '
            f'height="{self.height}" viewBox="0 0 {self.width} {self.height}" '
            'font-family="Helvetica, Arial, sans-serif">'
        )
        ground = f'<rect width="{self.width}" height="{self.height}" fill="#ffffff"/>'
        title = f"<title>{escape(self.title)}</title>"
        body = (_svg(shape) for shape in self.shapes)
        return "\n".join((head, title, ground, *body, "</svg>", ""))

    def to_png(self) -> bytes:
        """Paint the figure, two pixels to the unit, and write it as a PNG file."""
        size = (self.width * _PNG_SCALE, self.height * _PNG_SCALE)
        picture = Image.new("RGB", size, "#ffffff")
        painter = ImageDraw.Draw(picture)
        for shape in self.shapes:
            _paint(painter, shape)
        file = BytesIO()
        picture.save(file, "PNG", optimize=True, dpi=(72 * _PNG_SCALE,) * 2)
        return file.getvalue()


def _svg(shape: Shape) -> str:
    match shape:
        case Box():
            return (
                f'<rect x="{shape.x:.2f}" y="{shape.y:.2f}" width="{shape.width:.2f}" '
                f'height="{shape.height:.2f}" fill="{shape.fill}"/>'
            )
        case Line():
            return (
                f'<line x1="{shape.x1:.2f}" y1="{shape.y1:.2f}" x2="{shape.x2:.2f}" '
                f'y2="{shape.y2:.2f}" stroke="{shape.colour}" '
                f'stroke-width="{shape.width:g}"/>'
            )
        case Words():
            return (
                f'<text x="{shape.x:.2f}" y="{shape.y:.2f}" font-size="{shape.size:g}" '
                f'fill="{shape.colour}" text-anchor="{shape.anchor}">'
                f"{escape(shape.text)}</text>"
            )


def _paint(painter: ImageDraw.ImageDraw, shape: Shape) -> None:
    k = _PNG_SCALE
    match shape:
        case Box():
            # Pillow paints the far edge too.
            right = max(shape.x, shape.x + shape.width - 1 / k) * k
            low = max(shape.y, shape.y + shape.height - 1 / k) * k
            painter.rectangle((shape.x * k, shape.y * k, right, low), fill=shape.fill)
        case Line():
            painter.line(
                (shape.x1 * k, shape.y1 * k, shape.x2 * k, shape.y2 * k),
                fill=shape.colour,
                width=max(1, round(shape.width * k)),
            )
        case Words():
            painter.text(
                (shape.x * k, shape.y * k),
                shape.text.replace("µ", "u"),  # Pillow's own font has no such sign
                font=ImageFont.load_default(shape.size * k),
                fill=shape.colour,
                anchor=_PIL_ANCHORS[shape.anchor],
            )
