"""The verdict on a bracket, in one line."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, TypeAlias

from stacker.frame import Finding
from stacker.inspection.advice import frames_named

__all__ = ["Level", "Verdict", "give_verdict"]

Level: TypeAlias = Literal["good", "look", "reshoot"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """What to make of a bracket.

    Attributes
    ----------
    level : str
        "good", "look" (a person should look), "reshoot".
    message : str
        One line.
    """

    level: Level
    message: str


def give_verdict(findings: Sequence[Finding], n_frames: int) -> Verdict:
    """Sum up the findings on a bracket of `n_frames`."""
    alarms = [f for f in findings if f.severity != "note"]
    if not alarms and any(f.code == "not_judged" for f in findings):
        return Verdict(
            level="look",
            message=f"Not judged: {n_frames} frames show too little to go by.",
        )
    if not alarms:
        return Verdict(level="good", message=f"Complete: {n_frames} frames.")
    worst = [f for f in alarms if f.severity == "reshoot"]
    if not worst:
        count = "1 thing" if len(alarms) == 1 else f"{len(alarms)} things"
        return Verdict(
            level="look", message=f"Look at this: {count} in {n_frames} frames."
        )
    to_shoot = sorted({k for f in worst if f.code in _SHOOT_AGAIN for k in f.frames})
    parts = [f"shoot frames {frames_named(to_shoot)} again"] if to_shoot else []
    if len(to_shoot) == 1:
        parts = [f"shoot frame {to_shoot[0]} again"]
    parts += [_TO_ADD[f.code].format(*f.frames) for f in worst if f.code in _TO_ADD]
    words = ", ".join(parts)
    return Verdict(level="reshoot", message=f"{words[:1].upper()}{words[1:]}.")


_SHOOT_AGAIN = ("camera_shake", "flash_misfire", "mixed_aperture", "mixed_size")
_TO_ADD = {
    "missing_first_end": "add frames before frame {0}",
    "missing_last_end": "add frames beyond frame {0}",
    "gap": "add frames between {0} and {1}",
}
