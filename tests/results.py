"""A small fusion in files, quickly made: what hand-off and patches are tested with."""

import json
from datetime import UTC, datetime

import imagecodecs
import numpy as np
import tifffile

from stacker.coverage import coverage_cells, frame_shares
from stacker.files import Merge, Results, read_metadata
from stacker.frame import FrameRecord, FusionResult
from stacker.report.images import page_images, srgb_preview
from stacker.report.page import render_page
from stacker.report.record import FusionFacts, build_record, record_json
from stacker.settings import FuseSettings, OutputSettings, ReadSettings
from tests.made import made_infos

SHAPE = (150, 203)
N_FRAMES = 4
# Made once: a profile holds the time of its making.
PROFILES = {
    True: imagecodecs.cms_profile("adobergb"),
    False: imagecodecs.cms_profile("gray"),
}


def bracket(folder, *, colour=True, shape=SHAPE):
    """Four frames of 16 bit with a profile; each smooth, each of its own brightness."""
    folder.mkdir(parents=True, exist_ok=True)
    y, x = np.mgrid[: shape[0], : shape[1]]
    paths = []
    for k in range(N_FRAMES):
        light = 0.2 + 0.15 * k + 0.05 * np.sin(0.21 * x + k) * np.cos(0.17 * y - k)
        grey = np.round(light * 65535).astype(np.uint16)
        pixels = np.stack([grey, grey // 2, grey // 3], axis=2) if colour else grey
        path = folder / f"shot_{k:02}.tif"
        tifffile.imwrite(
            path,
            pixels,
            photometric="rgb" if colour else "minisblack",
            iccprofile=PROFILES[colour],
            metadata=None,
            resolution=(300, 300),
            resolutionunit="INCH",
        )
        paths.append(path)
    return paths


def turned(k):
    """Transform of frame k: a little shift and growth."""
    return np.array(
        [[1 + 0.004 * k, 0, 0.7 * k], [0, 1 + 0.004 * k, -0.4 * k], [0, 0, 1]]
    )


def result_in_files(folder, *, colour=True, left_out=None, outputs=None, bits=16):
    """Write a fusion of `bracket` whose frames cover vertical bands, and its report.

    Returns the master's path.
    """
    outputs = outputs or OutputSettings(bits=bits)
    paths = bracket(folder / "shots", colour=colour)
    width = SHAPE[1]
    used = [k for k in range(N_FRAMES) if k != left_out]
    ramp = np.arange(width) / (width - 1)
    depth = np.broadcast_to(np.round(ramp * 65535), SHAPE).astype(np.uint16)
    place = ramp * (N_FRAMES - 1)
    nearest = np.array(used)[np.abs(place[:, None] - np.array(used)).argmin(axis=1)]
    coverage = np.broadcast_to(nearest, SHAPE).astype(np.uint8)
    rng = np.random.default_rng(1)
    channels = (3,) if colour else ()
    picture = rng.integers(9000, 12000, (*SHAPE, *channels)).astype(np.uint16)
    confidence = np.full(SHAPE, 255, np.uint8)
    confidence[:20] = 0
    shares = frame_shares(coverage, N_FRAMES)
    frames = tuple(
        FrameRecord(
            transform=turned(k) if k in used else np.eye(3),
            correlation=0.99,
            gain_ev=(0.0,) * (3 if colour else 1),
            share=shares[k],
            used=k in used,
        )
        for k in range(N_FRAMES)
    )
    result = FusionResult(
        picture=picture,
        depth=depth,
        confidence=confidence,
        coverage=coverage,
        reference=0,
        frames=frames,
    )
    master = folder / "still life.tif"
    when = datetime(2025, 3, 14, 11, 0, 5, tzinfo=UTC)
    merge = Merge(
        frames=("a", "b"), software="stacker 1.2.3", settings_digest="0", when=when
    )
    with Results(master, settings=outputs) as results:
        results.write_master(picture, read_metadata(paths[0]), merge)
        results.write_depth(depth)
        results.write_confidence(confidence)
        results.write_coverage(coverage)
        facts = FusionFacts(
            version="1.2.3",
            created=when,
            infos=made_infos(
                [str(p) for p in paths],
                SHAPE,
                n_channels=3 if colour else 1,
                distances=[300, 350, 420, 500],
            ),
            frames=frames,
            reference=0,
            cells=coverage_cells(coverage, N_FRAMES),
            findings=(),
            settings={
                **FuseSettings().to_dict(),
                "read": {"max_pixels": ReadSettings().max_pixels, "order": "name"},
                "output": {"compression": outputs.compression, "bits": outputs.bits},
            },
            settings_digest="0",
            outputs={
                kind: str(folder / f"still life{suffix}")
                for kind, suffix in (
                    ("master", ".tif"),
                    ("depth", ".depth.tif"),
                    ("confidence", ".confidence.tif"),
                    ("coverage", ".coverage.tif"),
                    ("report_json", ".report.json"),
                    ("report_html", ".report.html"),
                )
            },
            timings_s={"total": 1.0},
            size=SHAPE,
            mean_confidence=0.9,
        )
        record = build_record(facts)
        results.write_text(".report.json", record_json(record))
        images = page_images(result, srgb_preview(picture, None))
        results.write_text(".report.html", render_page(record, images))
        results.commit()
    return master


def record_of(master):
    return json.loads(master.with_name("still life.report.json").read_text("utf-8"))
