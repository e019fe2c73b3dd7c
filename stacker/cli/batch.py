"""``stacker batch``: all brackets below a folder, on this machine or on many."""

import json
import os
from collections.abc import Iterator
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from stacker.cli.fuse import ALIGN, OUTPUT, READ
from stacker.cli.group import FAILED, INTERRUPTED, LOOK, verbosity, verbosity_options
from stacker.cli.options import SettingsOptions
from stacker.cli.watch import GROUP, start_diary
from stacker.errors import FrameReadError
from stacker.settings import BatchSettings, FuseSettings

if TYPE_CHECKING:
    from stacker.batch import Pool
    from stacker.hotfolder.summary import BatchRow, BatchSummary

__all__ = ["batch"]

BATCH = SettingsOptions(BatchSettings, renamed={"memory_gib": "memory"})
# The memory of one bracket is a part of that of all.
FUSE = SettingsOptions(FuseSettings, left_out={"align", "strict", "memory_gib"})
_MARKS = {"good": "good", "look": "LOOK", "reshoot": "SHOOT AGAIN"}


@click.command(short_help="Fuse all brackets below a folder.")
@click.argument("root", type=click.Path(path_type=Path))
@click.option(
    "--into",
    "results",
    required=True,
    type=click.Path(path_type=Path),
    metavar="RESULTS",
    help="Folder for the results and their index.html; made if it is not there.",
)
@BATCH
@click.option(
    "--cluster",
    metavar="ADDRESS",
    help="Scheduler of dask.distributed, tcp://host:8786: its workers do the fusing, one "
    'bracket each at a time. Takes the extra "cluster" here and there.',
)
@click.option(
    "--map",
    "maps",
    multiple=True,
    metavar="HERE=THERE",
    help="Beginning of a path on this machine and what it is for the workers; may be "
    "given several times.",
)
@click.option(
    "--on-done",
    default="",
    metavar="CMD",
    help="Command that is run when a bracket is done or parked, as with watch.",
)
@click.option(
    "--json", "as_json", is_flag=True, help="Print the summary on stdout as JSON."
)
@GROUP
@READ
@ALIGN
@FUSE
@OUTPUT
@verbosity_options
def batch(
    root: Path,
    results: Path,
    cluster: str | None,
    maps: tuple[str, ...],
    on_done: str,
    as_json: bool,
    **values: Any,
) -> None:
    """Fuse all brackets below a folder.

    Each sub-folder of ROOT holds one bracket or several; they are told apart as by
    "stacker watch", whose --dry-run shows how. A bracket that fails does not stop the
    others.

    Exit status: 0 all are fused; 1 all have failed; 3 some have failed.
    """
    group, how = GROUP.take(values), BATCH.take(values)
    read, outputs = READ.take(values), OUTPUT.take(values)
    fuse = FUSE.take(values, align=ALIGN.take(values))
    ctx = click.get_current_context()
    start_diary(verbosity(ctx))

    from stacker.batch import run_batch
    from stacker.hotfolder.books import FusePlan

    if not root.is_dir():
        raise FrameReadError(root, "no such folder")
    fuse, pool = _pool(fuse, how, cluster, maps)
    plan = FusePlan(
        fuse=fuse, read=read, outputs=outputs, name=group.name, on_done=on_done
    )
    summary = run_batch(root, results, plan, group, how, pool)
    if as_json:
        click.echo(json.dumps(_as_dict(summary), indent=2))
    elif not verbosity(ctx).quiet:
        _print_table(summary)
    if summary.is_broken_off:
        ctx.exit(INTERRUPTED)
    if summary.n_failed:
        ctx.exit(FAILED if summary.n_failed == len(summary.rows) else LOOK)


def _pool(
    fuse: FuseSettings, how: BatchSettings, cluster: str | None, maps: tuple[str, ...]
) -> tuple[FuseSettings, "Pool"]:
    """Who does the jobs, and with how many threads each."""
    from dataclasses import replace

    if cluster:
        from stacker.cluster import ClusterWorkers, PathMap

        fuse = replace(fuse, memory_gib=how.memory_gib)
        return fuse, ClusterWorkers(cluster, PathMap.of(maps))
    from stacker.hotfolder.workers import LocalWorkers

    total = fuse.threads or os.cpu_count() or 1
    threads = max(1, total // how.jobs)
    memory_gib = None if how.memory_gib is None else how.memory_gib / how.jobs
    fuse = replace(fuse, threads=threads, memory_gib=memory_gib)
    return fuse, LocalWorkers(how.jobs, threads)


def _as_dict(summary: "BatchSummary") -> dict[str, Any]:
    return {
        "brackets": [asdict(row) for row in summary.rows],
        "not_whole": list(summary.lacking),
        "broken_off": summary.is_broken_off,
        "failed": summary.n_failed,
    }


def _print_table(summary: "BatchSummary") -> None:
    from stacker.report.wording import visible

    width = max(len(visible(row.name)) for row in summary.rows)
    for row in summary.rows:
        for line in _lines(row, width):
            click.echo(visible(line).rstrip())
    for line in summary.lacking:
        click.echo(visible(f"not whole: {line}"))
    states = [row.state for row in summary.rows]
    counts = [f"{states.count(s)} {s}" for s in dict.fromkeys(states)]
    click.echo(f"{len(states)} brackets: {', '.join(counts)}")
    if summary.is_broken_off:
        click.echo("stopped before the end; --resume goes on")


def _lines(row: "BatchRow", width: int) -> Iterator[str]:
    word = _MARKS[row.verdict] + ": " if row.verdict else ""
    time = f"{row.took_s:7.1f} s" if row.state == "done" else f"{row.state:>9}"
    first, *more = row.faults or [row.message]
    yield f"{row.name:<{width}}  {row.n_frames:3} frames  {time}  {word}{first}"
    for fault in more:
        yield f"{'':<{width}}    {fault}"
