"""A re-check from photos: what a set costs as a ratio to decoding its JPEGs, and how workers add up.

`python -m tools.benchmarks.bench_recheck FOLDER ...`

First each photo set is measured in this process as a worker does it, in turn with decoding the same photos
to full-size grey, single-threaded: the unit. CPU time is compared, so that a busy machine says much the same.
Then copies of the sets are measured by one worker and by two, on the wall, from the first set that is done to
the last, so that starting processes does not count: that needs an idle machine with two cores.
"""

import os
import statistics
import tempfile
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path

import click
import cv2
import numpy as np

from calib_data.photoset import read_photo_set
from tools.recheck import listing
from tools.recheck.again import recheck_set
from tools.recheck.folders import Folder, folder_of
from tools.recheck.run import Wanted, run


def decode_all(paths: tuple[Path, ...]) -> None:
    for path in paths:
        data = np.frombuffer(path.read_bytes(), np.uint8)
        cv2.imdecode(data, cv2.IMREAD_GRAYSCALE | cv2.IMREAD_IGNORE_ORIENTATION)


def cpu_seconds(work: Callable[[], object]) -> float:
    start = time.process_time()
    work()
    return time.process_time() - start


def sets_per_second(archive: Folder, out: Path, n_workers: int) -> float:
    """Between the first set that is done and the last."""
    done: list[float] = []
    run(Wanted(archive, out, "photos", n_workers), lambda *_: done.append(time.perf_counter()))
    return (len(done) - 1) / (done[-1] - done[0])


@click.command()
@click.argument("folders", nargs=-1, required=True, type=click.Path(exists=True, path_type=Path))
@click.option("--runs", default=3, help="Timed runs of each set after one that warms up.")
@click.option("--copies", default=6, help="Of each set, for one and two workers; 0 leaves that out.")
def main(folders: tuple[Path, ...], runs: int, copies: int) -> None:
    """Print, per set: photos, unit in ms, a re-check in units a photo (median, smallest); then scaling."""
    cv2.setNumThreads(1)
    click.echo(f"load of the machine: {os.getloadavg()[0]:.1f}")
    click.echo(
        "set                    photos  unit ms  units a photo: median  smallest   sets an hour and core"
    )
    for folder in folders:
        one = next(listing.sets_of(folder_of(str(folder))))
        paths = read_photo_set(folder).photos
        again = partial(recheck_set, one, "photos")
        again()
        pairs = [(cpu_seconds(again), cpu_seconds(partial(decode_all, paths))) for _ in range(runs)]
        ratios = [whole / decode for whole, decode in pairs]
        unit_ms = 1e3 * statistics.median(decode for _, decode in pairs) / len(paths)
        an_hour = 3600 / statistics.median(whole for whole, _ in pairs)
        click.echo(
            f"{folder.name:<22} {len(paths):6d} {unit_ms:8.1f} {statistics.median(ratios):22.2f} "
            f"{min(ratios):9.2f} {an_hour:23.0f}"
        )
    if copies:
        scale(folders, copies)


def scale(folders: tuple[Path, ...], copies: int) -> None:
    """Print how many sets a second one worker does, and how many times as many two do."""
    with tempfile.TemporaryDirectory() as temporary:
        top = Path(temporary) / "archive"
        for folder in folders:
            for i in range(copies):
                there = top / f"{folder.name}-{i}"
                there.mkdir(parents=True)
                for file in folder.iterdir():  # hard links would be one file to the cache, as copies are not
                    (there / file.name).write_bytes(file.read_bytes())
        archive = folder_of(str(top))
        one, two = (sets_per_second(archive, Path(temporary) / f"{n}.sqlite", n) for n in (1, 2))
    click.echo(f"one worker {one:.2f} sets a second, two {two:.2f}: {two / one:.2f} times as many")


if __name__ == "__main__":
    main()
