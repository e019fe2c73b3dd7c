"""A report brought up to date after the master has been changed."""

from typing import Any

import numpy as np

from stacker.coverage import coverage_cells, frame_shares
from stacker.files import Results, read_metadata
from stacker.frame import Box, Finding, FrameRecord, FusionResult, Pixels
from stacker.handoff.opened import OpenedResult, as_16_bit
from stacker.report.extras import write_extras
from stacker.report.images import page_images, srgb_preview
from stacker.report.page import frames_of_page, render_page
from stacker.report.places import worst_places
from stacker.report.record import Record, cell_entries, place_entries, record_json
from stacker.settings import OutputSettings

__all__ = ["renew_report"]


def renew_report(
    opened: OpenedResult,
    results: Results,
    settings: OutputSettings,
    *,
    picture: Pixels,
    coverage: Pixels,
    changed: dict[str, Any],
) -> Record:
    """Write report and page anew for a changed master.

    Parameters
    ----------
    opened : OpenedResult
        The result before the change.
    results : Results
        Takes the files.
    settings : OutputSettings
        Which files lie beside the master.
    picture, coverage : arrays
        The master and the label map after the change.
    changed : dict
        Keys of the record to be set.

    Returns
    -------
    dict
        The record as written: shares, cells and places follow the coverage; what the
        fusion measured stays.
    """
    n_frames = opened.n_frames
    shares = frame_shares(coverage, n_frames)
    record: Record = {**opened.record, **changed}
    record["frames"] = [
        {**frame, "share": share}
        for frame, share in zip(record["frames"], shares, strict=True)
    ]
    record["coverage"] = {"cells": cell_entries(coverage_cells(coverage, n_frames))}
    result = FusionResult(
        picture=as_16_bit(picture),
        depth=opened.map("depth").astype(np.uint16, copy=False),
        confidence=opened.map("confidence").astype(np.uint8, copy=False),
        coverage=coverage,
        reference=record["reference"],
        frames=tuple(
            FrameRecord(
                transform=frame.transform,
                correlation=frame.correlation,
                gain_ev=frame.gain_ev,
                share=share,
                used=frame.used,
                warnings=frame.warnings,
            )
            for frame, share in zip(opened.frame_records(), shares, strict=True)
        ),
    )
    findings = [_finding(entry) for entry in record["warnings"]]
    places = worst_places(result, findings)
    record["places"] = place_entries(places)
    icc_profile = read_metadata(opened.master_path).icc_profile
    preview = srgb_preview(result.picture, icc_profile)
    write_extras(results, result, preview, icc_profile, settings, record)
    page = opened.file("report_html")
    images = page_images(
        result,
        preview,
        frames=frames_of_page(page.read_text("utf-8"), n_frames)
        if page.exists()
        else (),
        places=places,
        aligned=opened.aligned.window,
        icc_profile=icc_profile,
    )
    results.write_text(".report.json", record_json(record))
    results.write_text(".report.html", render_page(record, images))
    return record


def _finding(entry: Record) -> Finding:
    return Finding(
        code=entry["code"],
        message=entry["message"],
        severity=entry["severity"],
        frames=tuple(entry["frames"]),
        region=Box(**entry["region"]) if entry["region"] else None,
        action=entry["action"],
    )
