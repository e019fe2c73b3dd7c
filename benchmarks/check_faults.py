"""What `stacker check` finds: every fault on every bracket, and alarms on clean ones.

    python -m benchmarks.check_faults                      rendered scenes, half size
    python -m benchmarks.check_faults CLEAN_DIR... --seeds 10
    python -m benchmarks.check_faults --quick

Prints, for each fault, in how many brackets it was found by an alarm (a finding that asks
for a look or another shot) and how many other alarms there were. Words behind a scene's
name say how it was shot: `benchmarks.shoots` lists them.
"""

import argparse
import json
import os
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from benchmarks.faults import FAULTS, Fault, deliver
from benchmarks.shoots import CleanBracket, folder_bracket, rendered_bracket
from stacker.frame import Finding, FrameInfo
from stacker.inspection import inspect_bracket
from stacker.light import srgb_transfer
from stacker.roster import Roster
from stacker.survey import BracketFacts

SCENES = ("wires", "chrome", "macro", "wires-still", "macro-still", "wires-still-fixed")
QUICK_SCENES = ("wires-still",)
QUICK_FAULTS = ("clean", "frame dropped")


def inspect(
    bracket: CleanBracket, fault: Fault, *, seed: int, bits: int = 16
) -> tuple[Finding, ...]:
    """Deliver a bracket with a fault and look for it."""
    return inspect_bracket(*survey(bracket, fault, seed=seed, bits=bits))


def survey(
    bracket: CleanBracket, fault: Fault, *, seed: int, bits: int = 16
) -> tuple[BracketFacts, list[FrameInfo]]:
    """Deliver a bracket with a fault and survey it."""
    frames, infos = deliver(bracket, fault, seed=seed, bits=bits)
    shape = (bracket.height, bracket.width)
    roster = Roster(
        shape, srgb_transfer(1 if bracket.is_grey else 3), n_threads=os.cpu_count() or 1
    )
    for number, frame in enumerate(frames):
        roster.add(number, roster.look(frame))
    return roster.facts(), infos


def clean_bracket(name: str, scale: float) -> CleanBracket:
    """Scene by name, or folder by path."""
    if Path(name).is_dir():
        return folder_bracket(Path(name))
    return rendered_bracket(name, scale=scale)


def tally(
    brackets: Sequence[CleanBracket], faults: Sequence[str], n_seeds: int, bits: int
) -> dict[str, Any]:
    """Count alarms by fault and bracket."""
    out: dict[str, Any] = {}
    for name in faults:
        fault = FAULTS[name]
        out[name] = {}
        for bracket in brackets:
            found, others = 0, []
            for seed in range(1, n_seeds + 1):
                findings = inspect(bracket, fault, seed=seed, bits=bits)
                alarms = [f.code for f in findings if f.severity != "note"]
                found += any(code in fault.codes for code in alarms)
                allowed = (*fault.codes, *fault.may_add)
                others += [code for code in alarms if code not in allowed]
            out[name][bracket.name] = {"found": found, "of": n_seeds, "others": others}
            print(f"{name:26s}{bracket.name:18s}{found}/{n_seeds}  {' '.join(others)}")
    return out


def main(argv: Sequence[str] | None = None) -> None:
    """Run the matrix from the command line."""
    parser = argparse.ArgumentParser(description="Faults found by stacker check.")
    parser.add_argument("scenes", nargs="*", help="names, or folders of clean frames")
    parser.add_argument("--fault", action="append", choices=sorted(FAULTS))
    parser.add_argument("--seeds", type=int, default=3)
    parser.add_argument("--scale", type=float, default=0.6, help="1 = 1200 x 800")
    parser.add_argument("--bits", type=int, default=16, choices=(8, 16))
    parser.add_argument("--quick", action="store_true")
    parser.add_argument("--json", type=Path)
    args = parser.parse_args(argv)
    names = args.scenes or (QUICK_SCENES if args.quick else SCENES)
    faults = args.fault or (QUICK_FAULTS if args.quick else list(FAULTS))
    seeds, scale = (1, 0.3) if args.quick else (args.seeds, args.scale)
    brackets = [clean_bracket(name, scale) for name in names]
    result = tally(brackets, faults, seeds, args.bits)
    alarms = sum(
        len(b["others"]) for counts in result.values() for b in counts.values()
    )
    print(f"false alarms in all: {alarms}")
    if args.json:
        args.json.write_text(json.dumps(result, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
