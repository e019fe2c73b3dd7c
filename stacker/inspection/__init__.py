"""Faults of a bracket: facts in, findings out; no file is opened and nothing is drawn.

`inspect_bracket` asks one function per fault. What is measured comes from
`stacker.survey`; what it says, before anything is judged, from `read_facts`.
"""

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor

from stacker.frame import Finding, FrameInfo
from stacker.inspection.dust import Speck, dust_on_sensor, find_specks
from stacker.inspection.exposure import (
    clipped_highlights,
    colour_shifts,
    flash_drift,
    flash_misfires,
    flash_varies,
)
from stacker.inspection.reading import Reading, read_facts
from stacker.inspection.scene import flat_areas, moved_things
from stacker.inspection.setup import mixed_settings, other_pictures
from stacker.inspection.shake import shaken_frames
from stacker.inspection.spread import blur_per_frame
from stacker.inspection.stability import unsteady_stand
from stacker.inspection.steps import (
    finer_than_needed,
    gaps,
    missing_ends,
    not_judged,
    same_focus,
    too_wide,
    wrong_order,
)
from stacker.inspection.verdict import Verdict, give_verdict
from stacker.survey import BracketFacts

__all__ = [
    "FAULTS",
    "Reading",
    "Speck",
    "Verdict",
    "blur_per_frame",
    "find_specks",
    "give_verdict",
    "inspect_bracket",
    "inspect_reading",
    "read_facts",
    "worst_first",
]

FAULTS: tuple[Callable[[Reading], list[Finding]], ...] = (
    other_pictures,
    mixed_settings,
    wrong_order,
    not_judged,
    missing_ends,
    gaps,
    too_wide,
    shaken_frames,
    same_focus,
    unsteady_stand,
    moved_things,
    flash_misfires,
    flash_varies,
    flash_drift,
    colour_shifts,
    clipped_highlights,
    dust_on_sensor,
    flat_areas,
    finer_than_needed,
)
"""Every fault has one function; they are asked in this order."""

# The search for dust takes as long as that for all other faults together: it begins.
_N_THREADS = 2
_WORST_FIRST = ("reshoot", "look", "note")


def inspect_bracket(
    facts: BracketFacts, infos: Sequence[FrameInfo]
) -> tuple[Finding, ...]:
    """Find the faults of a bracket.

    Parameters
    ----------
    facts : BracketFacts
        At least two frames, as surveyed.
    infos : sequence of FrameInfo
        Headers of all frames given, by number.

    Returns
    -------
    tuple of Finding
        Worst first; regions in pixels of the master.
    """
    return inspect_reading(read_facts(facts, infos))


def inspect_reading(reading: Reading) -> tuple[Finding, ...]:
    """Find the faults of a bracket that was read already; see `inspect_bracket`."""
    with ThreadPoolExecutor(_N_THREADS) as pool:
        order = sorted(FAULTS, key=lambda fault: fault is not dust_on_sensor)
        begun = {fault: pool.submit(fault, reading) for fault in order}
        return worst_first([f for fault in FAULTS for f in begun[fault].result()])


def worst_first(findings: Sequence[Finding]) -> tuple[Finding, ...]:
    """Put findings in order of severity, otherwise as they are."""
    return tuple(sorted(findings, key=lambda f: _WORST_FIRST.index(f.severity)))
