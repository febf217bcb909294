"""Cards drawn into a picture through an exact camera, for tests of finding and measuring."""

import cv2
import numpy as np

from calib.camera import Camera
from calib.frames import Array, Pose, rotations
from targets.card import card_of
from targets.plates import face_image

SUPER = 4


def camera_of(width_px: int, height_px: int, focal_px: float) -> Camera:
    """A lens without distortion, so that a card's image is an exact homography."""
    constants = np.zeros(9)
    constants[:4] = focal_px, focal_px, (width_px - 1) / 2, (height_px - 1) / 2
    return Camera(width_px, height_px, constants)


def facing(
    x_mm: float, y_mm: float, z_mm: float, tilt_rad: float = 0.0, turn_rad: float = 0.0
) -> Pose:
    """camera_from_card of a card before the camera, tilted about its x axis, then turned."""
    tilt = rotations(np.array([tilt_rad, 0.0, 0.0]))
    turn = rotations(np.array([0.0, 0.0, turn_rad]))
    return Pose(turn @ tilt, np.array([x_mm, y_mm, z_mm]))


def draw_cards(
    camera: Camera, cards: dict[int, Pose], rng: np.random.Generator, noise: float = 2.0
) -> np.ndarray:
    """A grey photo (H, W) uint8 of cards at camera_from_card poses on a dull ground.

    Drawn four times oversampled and averaged down, so edges are true to some 0.02 px.
    """
    size = (camera.width_px * SUPER, camera.height_px * SUPER)
    grey = np.full((size[1], size[0]), 90, np.uint8)
    # Pixel centres at integers in both images.
    up = np.array([[SUPER, 0, (SUPER - 1) / 2], [0, SUPER, (SUPER - 1) / 2], [0, 0, 1.0]])
    for card_id, pose in cards.items():
        face = face_image(card_of(card_id))
        per_mm = len(face) / card_of(card_id).width_mm
        half = card_of(card_id).width_mm / 2
        to_mm = np.array(
            [[1 / per_mm, 0, 0.5 / per_mm - half], [0, 1 / per_mm, 0.5 / per_mm - half], [0, 0, 1]]
        )
        plane = np.column_stack([pose.rotation[:, :2], pose.translation])
        h = up @ camera.matrix @ plane @ to_mm
        warped = cv2.warpPerspective(face, h, size, flags=cv2.INTER_AREA, borderValue=0)
        mask = cv2.warpPerspective(np.full_like(face, 255), h, size)
        grey = np.where(mask > 127, (40 + warped.astype(float) * 0.72).astype(np.uint8), grey)
    small = cv2.resize(
        cv2.GaussianBlur(grey, (0, 0), 0.6 * SUPER),
        (camera.width_px, camera.height_px),
        interpolation=cv2.INTER_AREA,
    )
    noisy = small.astype(float) + rng.normal(0, noise, small.shape)
    return np.clip(np.rint(noisy), 0, 255).astype(np.uint8)


def true_dots_px(camera: Camera, card_id: int, camera_from_card: Pose) -> Array:
    """Exact projections (4, 2) of a card's dot centres."""
    dots = np.column_stack([card_of(card_id).dots_mm, np.zeros(4)])
    return camera.project(camera_from_card.apply(dots))
