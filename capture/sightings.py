"""The sighting: one card in one photo, its four dots measured (of a mark: its four corners)."""

from dataclasses import dataclass

from numpy.typing import NDArray

from calib.frames import Array


@dataclass(frozen=True)
class Sighting:
    """One card seen in one photo.

    Attributes
    ----------
    card : id of the card; of a mark 1000 and its tag's id (``targets.mark``).
    photo : name of the photo (file name inside ``photos/``).
    corners_px : (4, 2) rough tag corners as found (for finding and drawing, never for measuring).
    dots_px : (4, 2) measured projections of the dot centres, in the order of ``Card.dots_mm``,
        corrected for the eccentricity of the projected circle; nan where a dot was not usable.
    covariance_px2 : (4, 2, 2) covariance of each dot, px^2.
    measured : (4,) which dots are usable.
    """

    card: int
    photo: str
    corners_px: Array
    dots_px: Array
    covariance_px2: Array
    measured: NDArray
