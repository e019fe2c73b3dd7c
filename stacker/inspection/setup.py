"""Faults that the files tell: settings that changed, frames of another picture."""

from collections import Counter
from collections.abc import Callable

from stacker.frame import Finding, FrameInfo
from stacker.inspection.advice import frames_named
from stacker.inspection.reading import Reading

__all__ = ["mixed_settings", "other_pictures"]

# Cameras write rounded values; exposure and focal length differ really beyond this.
SAME_WITHIN = 0.02

_KINDS: tuple[tuple[str, str, Callable[[FrameInfo], float | None], str], ...] = (
    ("mixed_aperture", "aperture", lambda i: i.f_number, "f/{:g}"),
    ("mixed_iso", "ISO", lambda i: i.iso, "ISO {:g}"),
    ("mixed_exposure", "exposure time", lambda i: i.exposure_s, "{:g} s"),
    ("mixed_focal_length", "focal length", lambda i: i.focal_length_mm, "{:g} mm"),
)


def mixed_settings(r: Reading) -> list[Finding]:
    """Aperture, ISO, exposure or focal length changed within the bracket."""
    found = []
    for code, name, value_of, form in _KINDS:
        values = [value_of(info) for info in r.infos]
        known = [v for v in values if v is not None]
        if len(known) < 2:
            continue
        usual = Counter(known).most_common(1)[0][0]
        odd = tuple(
            k
            for k, v in enumerate(values)
            if v is not None and abs(v - usual) > SAME_WITHIN * abs(usual)
        )
        if not odd:
            continue
        others = sorted({form.format(values[k]) for k in odd})
        is_one = len(odd) == 1
        found.append(
            Finding(
                code=code,
                message=f"{'Frame' if is_one else 'Frames'} {frames_named(odd)} "
                f"{'has' if is_one else 'have'} another {name}: "
                f"{', '.join(others)} instead of {form.format(usual)}.",
                severity="reshoot" if code == "mixed_aperture" else "look",
                frames=odd,
                action="Set it by hand for the whole bracket, and shoot "
                f"{'it' if is_one else 'them'} again.",
            )
        )
    return found


def other_pictures(r: Reading) -> list[Finding]:
    """Frames that show something else than the rest."""
    found = []
    for number, correlation in r.facts.unrelated:
        found.append(
            Finding(
                code="other_picture",
                message=f"Frame {number} ({r.infos[number].name}) does not belong to the "
                f"others: it cannot be registered to them (correlation "
                f"{correlation:.2f}).",
                severity="look",
                frames=(number,),
                action="Take it out; shoot it again if its focus is missing now.",
            )
        )
    return found
