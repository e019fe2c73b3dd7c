"""What `stacker check` says of a knocked frame, by the size of the knock.

    python -m benchmarks.check_knocks bench sample wires wires-still

Scenes as for `benchmarks.check_faults`. Each frame in turn is moved in eight directions
by so many pixels of a picture 1500 px wide, after registration, and the parts are printed
in which an alarm names it, a note does, or an alarm names another frame.
"""

import argparse
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from benchmarks.brackets import SCENE_WIDTH_PX
from benchmarks.check_faults import clean_bracket, survey
from benchmarks.faults import FAULTS
from stacker.inspection import read_facts
from stacker.inspection.stability import (
    STEADY,
    camera_path,
    knocked_frames,
    off_the_others,
)

SIZES_PX = (0.0, 2.0, 3.0, 5.0, 7.0, 10.0)
N_DIRECTIONS = 8


def shares(name: str, scale: float) -> list[tuple[float, float, float, float]]:
    """Size of the knock; parts named by an alarm, by a note, and wrongly."""
    facts, infos = survey(clean_bracket(name, scale), FAULTS["clean"], seed=1)
    reading = read_facts(facts, infos)
    path = camera_path(reading)
    width = facts.shape[1]
    out = []
    for size in SIZES_PX:
        named = np.zeros(3)
        for k in range(reading.n):
            for angle in np.arange(N_DIRECTIONS) * 2 * np.pi / N_DIRECTIONS:
                place = path.place.copy()
                far = size * width / SCENE_WIDTH_PX
                place[k] += far * np.array([np.cos(angle), np.sin(angle)])
                offset, others, limit = off_the_others(reading.z, place, STEADY * width)
                knocked = replace(
                    path, place=place, offset=offset, others_px=others, limit_px=limit
                )
                found = knocked_frames(reading, knocked)
                alarms = [f.frames[0] for f in found if f.severity != "note"]
                number = reading.number(k)
                named += (
                    number in alarms,
                    any(number in f.frames for f in found if f.severity == "note"),
                    any(other != number for other in alarms),
                )
        out.append((size, *(named / (reading.n * N_DIRECTIONS))))
    return out


def main(argv: Sequence[str] | None = None) -> None:
    """Print the table from the command line."""
    parser = argparse.ArgumentParser(description="Knocked frames by stacker check.")
    parser.add_argument("scenes", nargs="+", help="names, or folders of clean frames")
    parser.add_argument("--scale", type=float, default=0.6, help="1 = 1200 x 800")
    args = parser.parse_args(argv)
    for name in args.scenes:
        print(name)
        for size, alarm, note, wrong in shares(name, args.scale):
            print(
                f"  {size:4.0f} px  alarm {alarm:4.0%}  note {note:4.0%}  "
                f"another frame {wrong:4.0%}"
            )


if __name__ == "__main__":
    main()
