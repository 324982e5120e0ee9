"""How many plates are found, how well their points are known, and how long it takes, on sets with truth.

    python -m tools.benchmarks.bench_detect ../shared/photosets/* [--opencv]

The unit of time is one single-threaded grey decode of the same photos in the same run. With --opencv,
OpenCV's own tag detector is tried beside it: tags found only, no saddles.
"""

import json
import time
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import click
import cv2
import numpy as np
from numpy.typing import NDArray

from calib_data.layouts import load_layouts
from vision.detect import Detection, detect_plates
from vision.layout import Layout
from vision.photo import Photo, decode_grey, read_header, read_photo

BANDS_DEG = (0, 30, 60, 65, 70, 75, 90)


def expected_plates(entry: Mapping[str, Any]) -> set[int]:
    """Plates that must be found: whole, in view, below 75 degrees, tag edges of 25 px or more."""
    return {
        int(plate)
        for plate, sight in entry["sees"].items()
        if sight["whole_plate_in_image"]
        and sight["visible_fraction"] > 0.9
        and sight["incidence_deg"] < 75
        and sight["tag_edge_px"] >= 25
    }


def true_saddles_px(
    truth: Mapping[str, Any], entry: Mapping[str, Any], plate: int, layout: Layout
) -> NDArray:
    """Where the truth projects a plate's saddles, (n, 2), without the motion during read-out."""
    known = truth["plates"][str(plate)]
    width_mm = 2 * (layout.pattern_half_mm + layout.quiet_margin_mm)
    x = layout.saddles_mm[:, 0]
    on_plate = np.column_stack(
        [layout.saddles_mm * known["scale_xy"], known["bow_mm"] * (1 / 3 - (2 * x / width_mm) ** 2)]
    )
    T_camera_plate = np.linalg.inv(entry["T_vehicle_camera"]) @ np.array(known["T_vehicle_plate"])
    lens = next(lens for lens in truth["lenses"] if lens["name"] == entry["lens"])
    K = np.array([[entry["fx"], 0, entry["cx"]], [0, entry["fy"], entry["cy"]], [0, 0, 1]])
    turn, _ = cv2.Rodrigues(T_camera_plate[:3, :3])
    pixels, _ = cv2.projectPoints(on_plate, turn, T_camera_plate[:3, 3], K, np.array(lens["dist"]))
    return pixels[:, 0]


def in_plate_errors(detection: Detection, true_px: NDArray, layout: Layout) -> NDArray:
    """Errors (n, 2) without the plate's common shift and affine part, with their freedoms made up for."""
    error = detection.saddles_px - true_px[detection.saddle_index]
    design = np.column_stack([np.ones(len(error)), layout.saddles_mm[detection.saddle_index] / 80])
    left = error - design @ np.linalg.lstsq(design, error, rcond=None)[0]
    return left * np.sqrt(len(error) / max(len(error) - 3, 1))


def _timed(function: Callable[..., Any], *arguments: Any) -> tuple[Any, float]:
    start = time.process_time()
    result = function(*arguments)
    return result, time.process_time() - start


def _opencv_variants() -> dict[str, Callable[[NDArray], set[int]]]:
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)

    def reader(scale: int, **settings: Any) -> Callable[[NDArray], set[int]]:
        parameters = cv2.aruco.DetectorParameters()
        for name, value in settings.items():
            setattr(parameters, name, value)
        detector = cv2.aruco.ArucoDetector(dictionary, parameters)

        def read(grey: NDArray) -> set[int]:
            size = (grey.shape[1] // scale, grey.shape[0] // scale)
            small = grey if scale == 1 else cv2.resize(grey, size, interpolation=cv2.INTER_AREA)
            _, ids, _ = detector.detectMarkers(small)
            return set() if ids is None else {int(i) for i in ids.ravel()}

        return read

    one_window = {"adaptiveThreshWinSizeMin": 15, "adaptiveThreshWinSizeMax": 15}
    return {
        "OpenCV, standard": reader(1),
        "OpenCV, window 15, small tags": reader(1, minMarkerPerimeterRate=0.01, **one_window),
        "OpenCV, half size, window 15": reader(2, minMarkerPerimeterRate=0.01, **one_window),
        "OpenCV, useAruco3Detection": reader(1, useAruco3Detection=True),
    }


@click.command()
@click.argument(
    "folders", nargs=-1, required=True, type=click.Path(exists=True, file_okay=False, path_type=Path)
)
@click.option("--opencv", is_flag=True, help="Try OpenCV's own detector beside ours.")
def main(folders: tuple[Path, ...], opencv: bool) -> None:
    cv2.setNumThreads(1)
    layouts = {layout.name: layout for layout in load_layouts()}
    variants = _opencv_variants() if opencv else {}
    errors: list[tuple[float, NDArray, NDArray]] = []
    for folder in folders:
        truth = json.loads((folder / "truth.json").read_text())
        found, seconds = (
            dict.fromkeys(["ours", *variants], 0),
            dict.fromkeys(["decode", "ours", *variants], 0.0),
        )
        n_expected, strays = 0, []
        for entry in truth["photos"]:
            data = (folder / entry["file"]).read_bytes()
            header = read_header(data, entry["file"])
            _, spent = _timed(decode_grey, data, entry["file"], header)
            seconds["decode"] += spent
            photo: Photo = read_photo(data, entry["file"])
            detections, spent = _timed(detect_plates, photo, layouts.values())
            seconds["ours"] += spent
            expected = expected_plates(entry)
            n_expected += len(expected)
            found["ours"] += len(expected & {d.plate for d in detections})
            strays += [(entry["file"], d.plate) for d in detections if str(d.plate) not in entry["sees"]]
            for name, read in variants.items():
                ids, spent = _timed(read, photo.grey)
                seconds[name] += spent
                found[name] += len(expected & ids)
            for d in detections:
                if str(d.plate) in truth["plates"] and str(d.plate) in entry["sees"]:
                    layout = layouts[d.layout]
                    left = in_plate_errors(d, true_saddles_px(truth, entry, d.plate, layout), layout)
                    whiten = np.swapaxes(np.linalg.cholesky(np.linalg.inv(d.cov_px2)), 1, 2)
                    errors.append(
                        (
                            entry["sees"][str(d.plate)]["incidence_deg"],
                            left,
                            (whiten @ left[..., None])[..., 0],
                        )
                    )
        click.echo(f"{folder.name}: {n_expected} plates expected, not there but reported: {strays or 'none'}")
        for name, count in found.items():
            click.echo(f"  {name}: {count} found, {seconds[name] / seconds['decode']:.2f} decodes a photo")
    click.echo("incidence  plates  in-plate rms px  within one sigma, x and y")
    for low, high in zip(BANDS_DEG, BANDS_DEG[1:], strict=False):
        band = [(left, white) for incidence, left, white in errors if low <= incidence < high]
        if band:
            rms = np.median([np.sqrt((left**2).mean()) for left, _ in band])
            share = (np.abs(np.concatenate([white for _, white in band])) < 1).mean(axis=0)
            click.echo(f"{low:3d}-{high:2d} deg  {len(band):5d}  {rms:15.4f}  {share[0]:.3f} {share[1]:.3f}")


if __name__ == "__main__":
    main()
