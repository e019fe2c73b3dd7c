"""The report of a fusion: a record for programs and a page for people.

Strings go out, nothing is written here: `build_record` first, from it `record_json` and,
with the small pictures of `page_images`, `render_page`.
"""

from stacker.report.images import PageImages, page_images
from stacker.report.page import render_page
from stacker.report.record import FusionFacts, Record, build_record, record_json

__all__ = [
    "FusionFacts",
    "PageImages",
    "Record",
    "build_record",
    "page_images",
    "record_json",
    "render_page",
]
