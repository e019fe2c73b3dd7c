"""The record of a check for programs: what ``stacker check --json`` prints."""

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import datetime
from importlib.metadata import PackageNotFoundError, version

import numpy as np

from stacker.frame import Finding, FrameInfo
from stacker.inspection import Reading, Verdict
from stacker.inspection.exposure import colour_of_frames, exposure_of_frames
from stacker.inspection.stability import camera_path
from stacker.report.record import METADATA_KEYS, Record

__all__ = ["CHECK_SCHEMA", "CheckFacts", "build_check_record"]

CHECK_SCHEMA = "stacker.check/1"


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckFacts:
    """All that the record of a check is made from.

    Attributes
    ----------
    created : datetime
        When the check ended, with its offset from UTC.
    infos : sequence of FrameInfo
        All frames given, by number.
    reading : Reading
        What the survey said.
    findings : sequence of Finding
        Worst first.
    verdict : Verdict
        One line.
    total_s : float
        Seconds that it took.
    """

    created: datetime
    infos: Sequence[FrameInfo]
    reading: Reading
    findings: Sequence[Finding]
    verdict: Verdict
    total_s: float


def build_check_record(facts: CheckFacts) -> Record:
    """Lay out the record of a check as JSON-ready dictionaries.

    Positions along focus count in steps of ordinary length; "order" lists frame numbers
    from one end of focus to the other.
    """
    r = facts.reading
    return {
        "schema": CHECK_SCHEMA,
        "software": {"name": "stacker", "version": _version()},
        "created": facts.created.isoformat(timespec="seconds"),
        "verdict": asdict(facts.verdict),
        "size": {"width": r.facts.shape[1], "height": r.facts.shape[0]},
        "warnings": [_finding(f) for f in facts.findings],
        "order": [r.number(k) for k in range(r.n)],
        "frames": _frames(facts),
        "focus": _focus(r),
        "timings_s": {"total": round(facts.total_s, 4)},
    }


def _version() -> str:
    try:
        return version("stacker")
    except PackageNotFoundError:  # run from a source folder
        return "unknown"


def _finding(finding: Finding) -> Record:
    return {
        "code": finding.code,
        "message": finding.message,
        "severity": finding.severity,
        "frames": list(finding.frames),
        "region": asdict(finding.region) if finding.region else None,
        "action": finding.action,
    }


def _frames(facts: CheckFacts) -> list[Record]:
    r = facts.reading
    path = camera_path(r)
    stops, tints = exposure_of_frames(r), colour_of_frames(r)
    measured: dict[int, Mapping[str, object]] = {}
    for k, place in enumerate(r.order):
        frame = r.facts.frames[place]
        measured[frame.number] = {
            "focus_steps": _rounded(r.z[k], 3),
            "exposure_ev": _rounded(stops[place], 4),
            "colour_ev": [_rounded(v, 4) for v in tints[place]],
            "off_path_px": [_rounded(v, 2) for v in path.offset[k]],
            "roll_px": _rounded(path.roll_px[k], 2),
            "correlation": _rounded(frame.correlation, 4),
            "full_scale_share": _rounded(frame.white, 6),
        }
    unknown = dict.fromkeys(next(iter(measured.values())))
    return [
        {
            "file": info.name,
            "belongs": number in measured,
            "captured": info.captured.isoformat() if info.captured else None,
            **{key: getattr(info, key) for key in METADATA_KEYS},
            **measured.get(number, unknown),
        }
        for number, info in enumerate(facts.infos)
    ]


def _focus(r: Reading) -> Record:
    """Lay out steps, width of the sharpness curve, and where each cell is sharpest."""
    sharpest = r.sharpest()
    return {
        "measured_by": r.gauge,
        "steps": [_rounded(s, 3) for s in np.diff(r.z)],
        "width_steps": None if r.widths[0] is None else _rounded(r.widths[0], 3),
        "grid": {"rows": sharpest.shape[0], "columns": sharpest.shape[1]},
        "sharpest": [
            [None if k < 0 else r.number(int(k)) for k in row] for row in sharpest
        ],
        "peak_steps": [
            [None if np.isnan(p) else _rounded(p, 2) for p in row]
            for row in r.curves.peak
        ],
    }


def _rounded(value: float | np.floating, digits: int) -> float:
    return round(float(value), digits) + 0.0
