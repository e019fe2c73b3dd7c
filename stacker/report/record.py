"""The record of a fusion for programs: what ``NAME.report.json`` holds.

Plain dictionaries and lists under stable snake_case keys. A key keeps its meaning for
good; keys may be added. Nothing is computed here that is not in the facts handed in.
"""

import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field
from datetime import datetime
from typing import Any, TypeAlias

import numpy as np

from stacker.coverage import CoverageCell
from stacker.errors import InputError
from stacker.frame import Finding, FrameInfo, FrameRecord, Matrix3x3
from stacker.report.bystander import Sharpness
from stacker.report.places import Place

__all__ = [
    "SCHEMA",
    "FusionFacts",
    "Record",
    "build_record",
    "cell_entries",
    "place_entries",
    "record_json",
]

SCHEMA = "stacker.report/1"

Record: TypeAlias = dict[str, Any]
"""JSON-ready: dictionaries, lists, strings, finite numbers, booleans and None."""

METADATA_KEYS = (
    "focal_length_mm",
    "f_number",
    "exposure_s",
    "iso",
    "focus_distance_mm",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class FusionFacts:
    """All that a report of one fusion is made from.

    Attributes
    ----------
    version : str
        Version of the software.
    created : datetime
        When the fusion ended, with its offset from UTC.
    infos : sequence of FrameInfo
        The frames in depth order.
    frames : sequence of FrameRecord
        What the fusion found out about each, in the same order.
    reference : int
        0-based number of the reference frame.
    cells : sequence of CoverageCell
        The coverage grid.
    findings : sequence of Finding
        What a person should know, worst first.
    settings : mapping
        Every setting with the value used, nested by group.
    settings_digest : str
        Fingerprint of the settings, the same in the master's own history.
    outputs : mapping of str to str
        Files written, as given, by kind ("master", "depth", ...).
    timings_s : mapping of str to float
        Seconds by stage.
    size : (int, int)
        Height and width of the master in pixels.
    mean_confidence : float
        Mean of the confidence map, 0..1.
    peak_memory_bytes : int or None
        Peak resident memory of the process; None where the system does not tell.
    environment : mapping of str to str
        Versions of what the result depends on (Python, libraries).
    notes : mapping
        Further JSON-ready figures.
    places : sequence of Place
        Regions worth a look at full size.
    sharpness : Sharpness or None
        Detail of the frames against that of the result; None where nothing was compared.
    checksums : sequence of (str or None)
        SHA-256 of each frame's file; empty where none was taken.
    distances_mm : sequence of float or None
        Focus distance of each frame as the user gave it: goes before the files' own.
    """

    version: str
    created: datetime
    infos: Sequence[FrameInfo]
    frames: Sequence[FrameRecord]
    reference: int
    cells: Sequence[CoverageCell]
    findings: Sequence[Finding]
    settings: Mapping[str, Any]
    settings_digest: str
    outputs: Mapping[str, str]
    timings_s: Mapping[str, float]
    size: tuple[int, int]
    mean_confidence: float
    peak_memory_bytes: int | None = None
    environment: Mapping[str, str] = field(default_factory=dict)
    notes: Mapping[str, Any] = field(default_factory=dict)
    places: Sequence[Place] = ()
    sharpness: Sharpness | None = None
    checksums: Sequence[str | None] = ()
    distances_mm: Sequence[float] | None = None


def build_record(facts: FusionFacts) -> Record:
    """Lay out the record of a fusion as JSON-ready dictionaries.

    Parameters
    ----------
    facts : FusionFacts
        As many infos as frames, at least two.

    Returns
    -------
    dict
        The keys of the schema named in its ``schema``.

    Raises
    ------
    InputError
        The frames and the facts about their files differ in number.
    """
    n_frames = len(facts.frames)
    if len(facts.infos) != n_frames:
        msg = f"{len(facts.infos)} files but {n_frames} frames in the facts of a report"
        raise InputError(msg)
    height, width = facts.size
    return {
        "schema": SCHEMA,
        "software": {"name": "stacker", "version": facts.version},
        "created": facts.created.isoformat(timespec="seconds"),
        "verdict": _verdict(facts.frames, facts.findings),
        "size": {"width": width, "height": height},
        "outputs": dict(facts.outputs),
        "inputs": {
            "frames": [
                _input_entry(info, sha256)
                for info, sha256 in zip(
                    facts.infos, facts.checksums or (None,) * n_frames, strict=True
                )
            ]
        },
        "settings": dict(facts.settings),
        "settings_digest": facts.settings_digest,
        "reference": facts.reference,
        "frames": [
            _frame_entry(info, frame, facts.size)
            for info, frame in zip(facts.infos, facts.frames, strict=True)
        ],
        "coverage": {"cells": cell_entries(facts.cells)},
        "depth": _depth_entry(facts),
        "warnings": [_warning_entry(finding) for finding in facts.findings],
        "places": place_entries(facts.places),
        "patches": [],
        "sharpness": _sharpness_entry(facts.sharpness),
        "timings_s": {k: round(v, 4) for k, v in facts.timings_s.items()},
        "peak_memory_bytes": facts.peak_memory_bytes,
        "environment": dict(facts.environment),
        "notes": dict(facts.notes),
    }


def record_json(record: Record) -> str:
    """Write a record as JSON text, indented, ending in a line break.

    Bytes of a file name that are no UTF-8 come out as JSON escapes of the surrogates
    Python stands them for, so that reading the text gives the same name back.

    Raises
    ------
    InputError
        A value is no JSON (NaN or infinity included).
    """
    try:
        text = json.dumps(record, indent=2, ensure_ascii=False, allow_nan=False)
    except (TypeError, ValueError) as err:
        msg = f"the report holds a value that JSON cannot: {err}"
        raise InputError(msg) from err
    return text.encode("utf-8", "backslashreplace").decode("utf-8") + "\n"


def _input_entry(info: FrameInfo, sha256: str | None) -> Record:
    return {
        "file": info.name,
        "sha256": sha256,
        "width": info.width,
        "height": info.height,
        "bit_depth": info.bit_depth,
        "channels": info.n_channels,
        "captured": info.captured.isoformat() if info.captured else None,
        **{key: getattr(info, key) for key in METADATA_KEYS},
        "notes": list(info.notes),
    }


def _frame_entry(info: FrameInfo, frame: FrameRecord, size: tuple[int, int]) -> Record:
    return {
        "file": info.name,
        "used": frame.used,
        "transform": [[float(v) for v in row] for row in frame.transform],
        **_motion_at_centre(frame.transform, size),
        "correlation": float(frame.correlation),
        "gain_ev": [_rounded(v, 6) for v in frame.gain_ev],
        "share": float(frame.share),
        "warnings": list(frame.warnings),
    }


def _motion_at_centre(transform: Matrix3x3, size: tuple[int, int]) -> Record:
    """Shift, scale and rotation of the frame's centre, for people.

    The transform is expanded to first order there (the Jacobian of a homography), and
    the Jacobian read as scale * rotation: scale is the root of its determinant, the
    angle that of the nearest rotation (positive turns x towards y: clockwise on screen).
    """
    height, width = size
    x, y = (width - 1) / 2, (height - 1) / 2
    u, v, w = transform @ (x, y, 1.0)
    mapped = np.array([u / w, v / w])
    jacobian = (transform[:2, :2] - np.outer(mapped, transform[2, :2])) / w
    angle = np.arctan2(jacobian[1, 0] - jacobian[0, 1], np.trace(jacobian))
    return {
        "shift_px": [_rounded(mapped[0] - x, 4), _rounded(mapped[1] - y, 4)],
        "scale": _rounded(np.sqrt(abs(np.linalg.det(jacobian))), 7),
        "rotation_deg": _rounded(np.degrees(angle), 5),
    }


def _rounded(value: float | np.float64, digits: int) -> float:
    """Round `value`; a zero is written without a sign."""
    return round(float(value), digits) + 0.0


def cell_entries(cells: Sequence[CoverageCell]) -> list[Record]:
    """Lay out the coverage grid."""
    return [
        {
            "row": cell.row,
            "column": cell.column,
            "box": asdict(cell.box),
            "frames": [asdict(share) for share in cell.frames],
        }
        for cell in cells
    ]


def _depth_entry(facts: FusionFacts) -> Record:
    entry: Record = {
        "unit": "frame",
        "range": [0, len(facts.infos) - 1],
        "mean_confidence": round(facts.mean_confidence, 4),
    }
    if facts.distances_mm is not None:
        entry["distance_mm"] = list(facts.distances_mm)
        entry["distance_source"] = "given"
        return entry
    distances = [info.focus_distance_mm for info in facts.infos]
    if all(d is not None for d in distances):
        entry["distance_mm"] = distances
        entry["distance_source"] = "metadata"
    return entry


def _verdict(frames: Sequence[FrameRecord], findings: Sequence[Finding]) -> Record:
    """Say the whole record in one word for programs and one line for people."""
    n_used = sum(frame.used for frame in frames)
    fused = f"{n_used} of {len(frames)} frames fused"
    serious = [f for f in findings if f.severity == "reshoot"]
    if serious:
        return {"level": "reshoot", "message": f"{fused}. {serious[0].message}"}
    n_look = sum(f.severity == "look" for f in findings)
    if n_look == 0:
        return {"level": "good", "message": f"{fused}, nothing to look at"}
    things = "1 thing" if n_look == 1 else f"{n_look} things"
    return {"level": "look", "message": f"{fused}, {things} to look at"}


def _warning_entry(finding: Finding) -> Record:
    return {
        "code": finding.code,
        "message": finding.message,
        "severity": finding.severity,
        "frames": list(finding.frames),
        "region": asdict(finding.region) if finding.region else None,
        "action": finding.action,
    }


def place_entries(places: Sequence[Place]) -> list[Record]:
    """Lay out the places to look at."""
    return [
        {
            "kind": place.kind,
            "message": place.message,
            "box": asdict(place.box),
            "frames": [asdict(share) for share in place.frames],
            "finding": place.finding,
        }
        for place in places
    ]


def _sharpness_entry(sharpness: Sharpness | None) -> Record | None:
    if sharpness is None:
        return None
    return {
        "frames": [_rounded(s, 4) for s in sharpness.frames],
        "best": sharpness.best,
        "gain": _rounded(sharpness.gain, 3),
    }
