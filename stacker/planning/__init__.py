"""Plan a bracket before the first exposure: aperture, frames, focus, light, time.

Pure: no picture, no file. `plan_bracket` is the way in; it is asked a `Camera`, a `Rig`
and a subject (`Distances` when the lens is focused, `CloseUp` when the camera travels on
a rail or a microscope's stage does) and answers a `BracketPlan` of plain values. Lengths
are in millimetres.
"""

from stacker.planning.plan import (
    CAUTION,
    AperturePlan,
    BracketPlan,
    FocusPosition,
    FusionEstimate,
    OneFrame,
)
from stacker.planning.planner import plan_bracket
from stacker.planning.request import BlurCriterion, Camera, CloseUp, Distances, Rig

__all__ = [
    "CAUTION",
    "AperturePlan",
    "BlurCriterion",
    "BracketPlan",
    "Camera",
    "CloseUp",
    "Distances",
    "FocusPosition",
    "FusionEstimate",
    "OneFrame",
    "Rig",
    "plan_bracket",
]
