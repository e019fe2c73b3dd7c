"""Settings: every tunable number with its default, its limits and its unit.

This is the only home of defaults: the command line reads its defaults and choices from
these classes, and the report writes them out with the values used. Import them from here.

What is decided of one picture is in `picture`, what is decided at the camera in `shoot`,
what is decided for many brackets at once in `many`; `limits` says no to values.
"""

from stacker.settings.many import (
    BatchSettings,
    Folders,
    GroupSettings,
    WatchSettings,
)
from stacker.settings.picture import (
    AlignSettings,
    Compression,
    Device,
    FuseSettings,
    HandoffSettings,
    Motion,
    Order,
    OutputSettings,
    PatchSettings,
    ReadSettings,
    Reference,
)
from stacker.settings.shoot import CheckSettings, PlanSettings

__all__ = [
    "AlignSettings",
    "BatchSettings",
    "CheckSettings",
    "Compression",
    "Device",
    "Folders",
    "FuseSettings",
    "GroupSettings",
    "HandoffSettings",
    "Motion",
    "Order",
    "OutputSettings",
    "PatchSettings",
    "PlanSettings",
    "ReadSettings",
    "Reference",
    "WatchSettings",
]
