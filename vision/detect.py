"""Photo -> Detections: plate number, saddles in pixels, and how sure each of them is."""

from dataclasses import dataclass

from numpy.typing import NDArray


@dataclass(frozen=True, eq=False)
class Detection:
    """One plate in one photo.

    Attributes:
        plate: The printed number.
        layout: Name of its layout.
        saddle_index: (n,) positions in the layout's `saddles_mm`.
        saddles_px: (n, 2) in the stored array's axes, (0, 0) at the centre of the top-left pixel.
        cov_px2: (n, 2, 2) covariance of each point by itself (noise, blur, size, obliquity).
        u_shift_px: Standard uncertainty, per axis, of a shift common to all points of this plate here.
        u_affine_px: The same for the four linear terms common to the plate's points, expressed as the
            displacement they cause at 80 mm from the plate's centre.
        tag_read: False where the plate was confirmed by its ring alone or found by prediction.
        tag_edge_px: Shortest imaged tag edge.
        incidence_deg: Angle between the line of sight and the plate's normal, from the homography.
        says: Sharpness and exposure in words; empty when nothing is to be said.
    """

    plate: int
    layout: str
    saddle_index: NDArray
    saddles_px: NDArray
    cov_px2: NDArray
    u_shift_px: float
    u_affine_px: float
    tag_read: bool
    tag_edge_px: float
    incidence_deg: float
    says: str = ""
