"""A whole set, photos to decision, in a warm process: ratio to decoding the same photos.

`python -m tools.benchmarks.bench_measure FOLDER ...` The unit is one single-threaded full-size grey decode
of a photo, taken in the same run, in turn with the measurements.
"""

import resource
import statistics
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from pathlib import Path

import click
import cv2
import numpy as np

from calib_data.layouts import load_layouts
from calib_data.photoset import PhotoSet, read_photo_set
from vision.measure import measure
from vision.photo import read_photo


def decode_all(photo_set: PhotoSet) -> None:
    for path in photo_set.photos:
        data = np.frombuffer(path.read_bytes(), np.uint8)
        cv2.imdecode(data, cv2.IMREAD_GRAYSCALE | cv2.IMREAD_IGNORE_ORIENTATION)


def measure_all(photo_set: PhotoSet, pool: ThreadPoolExecutor) -> None:
    photos = list(pool.map(lambda path: read_photo(path.read_bytes(), path.name), photo_set.photos))
    measure(
        photos,
        photo_set.kit,
        photo_set.vehicle,
        photo_set.placements,
        load_layouts(),
        map_photos=pool.map,
    )


def seconds(work: Callable[[], None]) -> float:
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


@click.command()
@click.argument("folders", nargs=-1, required=True, type=click.Path(exists=True, path_type=Path))
@click.option("--runs", default=5, help="Timed runs after one that warms up.")
@click.option("--workers", default=2, help="Photos at a time.")
def main(folders: tuple[Path, ...], runs: int, workers: int) -> None:
    """Print, per set: photos, unit in ms, whole measurement in units a photo (median, smallest)."""
    cv2.setNumThreads(1)
    click.echo("set                    photos  unit ms  units a photo: median  smallest")
    with ThreadPoolExecutor(workers) as pool:
        for folder in folders:
            photo_set = read_photo_set(folder)
            measure_all(photo_set, pool)
            pairs = [
                (seconds(partial(measure_all, photo_set, pool)), seconds(partial(decode_all, photo_set)))
                for _ in range(runs)
            ]
            ratios = [whole / decode for whole, decode in pairs]
            unit_ms = 1e3 * statistics.median(decode for _, decode in pairs) / len(photo_set.photos)
            click.echo(
                f"{folder.name:<22} {len(photo_set.photos):6d} {unit_ms:8.1f} "
                f"{statistics.median(ratios):22.2f} {min(ratios):9.2f}"
            )
    peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    click.echo(f"peak memory {peak_mb:.0f} MB")


if __name__ == "__main__":
    main()
