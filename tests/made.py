"""Finished fusions made by hand: what the report and the pipeline are tested with."""

from datetime import UTC, datetime

import numpy as np

from stacker.coverage import coverage_cells, frame_shares
from stacker.frame import FrameInfo, FrameRecord, FusionResult, Pixels
from stacker.report.places import worst_places
from stacker.report.record import FusionFacts
from stacker.settings import FuseSettings


def made_result(n_frames=5, shape=(48, 67), *, colour=True, findings=(), frames=None):
    """A result whose frames cover vertical bands, first frame on the left."""
    height, width = shape
    ramp = np.arange(width) / max(1, width - 1)
    depth = np.broadcast_to((ramp * 65535).round(), shape).astype(np.uint16)
    labels = np.broadcast_to((ramp * (n_frames - 1)).round(), shape)
    coverage: Pixels = labels.astype(np.uint8)
    if n_frames > 256:
        coverage = labels.astype(np.uint16)
    rows = np.linspace(0, 65535, height).astype(np.uint16)[:, None]
    picture = np.stack([np.broadcast_to(rows, shape), depth, depth[:, ::-1]], axis=2)
    shares = frame_shares(coverage, n_frames)
    if frames is None:
        frames = tuple(
            FrameRecord(
                transform=np.array([[1.01, 0, 0.5], [0, 1.01, -2], [0, 0, 1]]),
                correlation=0.99,
                gain_ev=(0.01, -0.02, 0.0) if colour else (0.01,),
                share=share,
            )
            for share in shares
        )
    return FusionResult(
        picture=np.ascontiguousarray(picture if colour else picture[..., 0]),
        depth=depth,
        confidence=np.full(shape, 204, np.uint8),
        coverage=coverage,
        reference=n_frames // 2,
        frames=frames,
        findings=tuple(findings),
        timings_s={
            "decode": 0.1,
            "align": 0.2,
            "measure": 0.3,
            "fuse": 0.4,
            "total": 1,
        },
        notes={"noise": {"read": 0.001}},
    )


def made_infos(names, shape=(48, 67), *, n_channels=3, distances=None):
    return [
        FrameInfo(
            name=name,
            height=shape[0],
            width=shape[1],
            n_channels=n_channels,
            bit_depth=16,
            captured=datetime(2025, 3, 14, 10, 20, k % 60, tzinfo=UTC),
            f_number=8.0,
            exposure_s=1 / 125,
            focus_distance_mm=distances[k] if distances else None,
        )
        for k, name in enumerate(names)
    ]


def made_facts(result=None, names=None, *, distances=None, findings=(), **changes):
    result = made_result() if result is None else result
    n = len(result.frames)
    names = [f"shots/f_{k:02}.tif" for k in range(n)] if names is None else names
    n_channels = 1 if result.picture.ndim == 2 else 3
    shape = result.depth.shape
    stem = changes.pop("stem", "out/still life")
    places = changes.pop("places", worst_places(result, findings))
    return FusionFacts(
        version="1.2.3",
        created=datetime(2025, 3, 14, 11, 0, 5, tzinfo=UTC),
        infos=made_infos(names, shape, n_channels=n_channels, distances=distances),
        frames=result.frames,
        reference=result.reference,
        cells=coverage_cells(result.coverage, n),
        findings=findings,
        settings=FuseSettings().to_dict(),
        settings_digest="0123456789ab",
        outputs={
            "master": f"{stem}.tif",
            "report_json": f"{stem}.report.json",
            "report_html": f"{stem}.report.html",
        },
        timings_s={**result.timings_s, "encode": 0.5},
        size=shape,
        mean_confidence=0.8,
        peak_memory_bytes=300 << 20,
        environment={"python": "3.11.2"},
        notes=result.notes,
        places=places,
        **changes,
    )
