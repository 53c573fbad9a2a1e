"""Which camera took the photo: from a saved profile, from EXIF, or only from the card; and making a profile."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from toeline.errors import CameraError
from toeline.files import write_whole
from toeline.geometry.card import FoundCard, find_cards
from toeline.geometry.figures import CameraFigures
from toeline.geometry.optics import Camera
from toeline.geometry.pose_fit import fit_cards
from toeline.photo import Exif, Photo

F64 = NDArray[np.float64]
#: A profile is a few kilobytes.
_LARGEST = 1_000_000

__all__ = [
    "Camera",
    "CameraProfile",
    "CardPhoto",
    "calibrate_camera",
    "calibrate_from_cards",
    "camera_for",
    "card_photo",
    "load_profile",
    "save_profile",
]


class CameraProfile(BaseModel):
    """A calibrated camera, as saved: parameters (focal length, centre x, centre y, k1, k2; px) and covariance."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    kind: Literal["toeline.camera/1"] = "toeline.camera/1"
    name: str
    camera: str | None
    focal_35mm: float | None
    width_px: int = Field(gt=0, lt=100_000)
    height_px: int = Field(gt=0, lt=100_000)
    parameters: tuple[float, float, float, float, float]
    covariance: tuple[tuple[float, float, float, float, float], ...]
    reprojection_rms_px: float = Field(ge=0)
    photos: int = Field(gt=0, lt=100_000)
    cards: int = Field(gt=0, lt=100_000)

    @model_validator(mode="after")
    def _can_be(self) -> CameraProfile:
        focal, cx, cy, k1, k2 = self.parameters
        side = max(self.width_px, self.height_px)
        if not side / 20 < focal < 100 * side or max(abs(cx), abs(cy)) > 2 * side or max(abs(k1), abs(k2)) > 10:
            raise ValueError("no camera has this lens")
        doubt = np.array(self.covariance)
        if doubt.shape != (5, 5) or not np.allclose(doubt, doubt.T):
            raise ValueError("the covariance is five by five and symmetric")
        if np.diag(doubt).max() > side**2 or np.linalg.eigvalsh(doubt).min() < -1e-6 * np.abs(doubt).max():
            raise ValueError("no doubt is like this covariance")
        return self


def camera_for(photo: Photo, profile: CameraProfile | None = None) -> Camera:
    """The camera of ``photo`` before its card refines it, with the uncertainty that this knowledge deserves.

    EXIF is not believed where the cards contradict it (the photo was cropped, or made by other means): the fit of the
    cards then takes the camera's ``otherwise``.

    Raises:
        CameraError: the profile is of another camera or another picture shape.
    """
    if profile is not None:
        return _from_profile(photo, profile)
    unknown = _uncalibrated(photo, None)
    if photo.exif.focal_35mm is None:
        return unknown
    return replace(_uncalibrated(photo, photo.exif.focal_35mm), otherwise=unknown)


def _uncalibrated(photo: Photo | CardPhoto, focal_35mm: float | None) -> Camera:
    prior = CameraFigures.read().prior
    diagonal = float(np.hypot(photo.width, photo.height))
    relative = prior.u_focal_unknown if focal_35mm is None else prior.u_focal_exif
    focal = (focal_35mm or prior.focal_unknown_35mm) / prior.diagonal_35mm * diagonal
    centre = prior.u_centre * diagonal
    return Camera(
        np.array([focal, (photo.width - 1) / 2, (photo.height - 1) / 2, 0.0, 0.0]),
        np.diag(np.square([relative * focal, centre, centre, prior.u_k1, prior.u_k2])),
        photo.width,
        photo.height,
        "card" if focal_35mm is None else "exif",
    )


def _from_profile(photo: Photo, profile: CameraProfile) -> Camera:
    if profile.camera and photo.exif.camera and profile.camera != photo.exif.camera:
        raise CameraError(
            f"The camera profile {profile.name} is of {profile.camera}, but the photo is from {photo.exif.camera}: "
            "choose that camera's profile or none."
        )
    if profile.focal_35mm and photo.exif.focal_35mm and profile.focal_35mm != photo.exif.focal_35mm:
        raise CameraError(
            f"The camera profile {profile.name} is of the {profile.focal_35mm:g} mm lens, but the photo was taken with "
            f"the {photo.exif.focal_35mm:g} mm lens: use the same lens or no profile."
        )
    width, height = profile.width_px, profile.height_px
    f, cx, cy, k1, k2 = profile.parameters
    covariance = np.asarray(profile.covariance, float)
    if (width > height) != (photo.width > photo.height):  # held upright: which way round is not told, so allow either
        width, height = height, width
        offset = np.array([cx - (height - 1) / 2, cy - (width - 1) / 2])
        cx, cy = (width - 1) / 2, (height - 1) / 2
        covariance[1:3] = covariance[:, 1:3] = 0.0
        covariance[1, 1] = covariance[2, 2] = float(offset @ offset)
    scale = photo.width / width
    if abs(photo.height / height / scale - 1) > 0.01:
        raise CameraError(
            f"The camera profile {profile.name} is for pictures of {profile.width_px} × {profile.height_px}, the photo "
            f"has {photo.width} × {photo.height}: take it in the same shape, uncropped."
        )
    refocus = CameraFigures.read().calibrate
    covariance[0, 0] += (refocus.u_focal_refocus * f) ** 2
    covariance[1, 1] += (refocus.u_centre_refocus_px * width / 4000) ** 2
    covariance[2, 2] += (refocus.u_centre_refocus_px * width / 4000) ** 2
    to_photo = np.diag([scale, scale, scale, 1.0, 1.0])
    parameters = np.array([f * scale, (cx + 0.5) * scale - 0.5, (cy + 0.5) * scale - 0.5, k1, k2])
    return Camera(parameters, to_photo @ covariance @ to_photo, photo.width, photo.height, "profile", profile.name)


@dataclass(frozen=True, slots=True)
class CardPhoto:
    """The cards that one photo shows well, and of which camera and size the photo is."""

    name: str
    width: int
    height: int
    exif: Exif
    cards: tuple[FoundCard, ...]


def card_photo(photo: Photo) -> CardPhoto:
    """The cards in a photo with enough markers to calibrate by."""
    fewest = CameraFigures.read().calibrate.min_markers
    cards = tuple(card for card in find_cards(photo) if len(card.marker_ids) >= fewest)
    return CardPhoto(photo.name, photo.width, photo.height, photo.exif, cards)


def calibrate_camera(photos: Sequence[Photo], name: str) -> CameraProfile:
    """Calibrate from eight or more photos of a card, taken by one camera and lens from different directions.

    Raises:
        CameraError: too few photos with a card, mixed cameras or sizes, all taken from one direction, or a bad fit.
    """
    return calibrate_from_cards([card_photo(photo) for photo in photos], name)


def calibrate_from_cards(photos: Sequence[CardPhoto], name: str) -> CameraProfile:
    """As :func:`calibrate_camera`, from the cards that were found in each photo.

    Raises:
        CameraError: too few photos show a card, or from too few sides; more than one lens; a misfit.
    """
    limits = CameraFigures.read().calibrate
    first = photos[0] if photos else None
    if first is None or len(photos) < limits.min_photos:
        raise CameraError(f"A camera profile needs {limits.min_photos} or more photos, there are {len(photos)}.")
    for photo in photos:
        if (photo.width, photo.height) != (first.width, first.height):
            raise CameraError(f"{photo.name} has another size than {first.name}: hold the phone the same way for all.")
        if (photo.exif.camera, photo.exif.focal_35mm) != (first.exif.camera, first.exif.focal_35mm):
            raise CameraError(f"{photo.name} is from another camera or lens than {first.name}: use one lens for all.")
    seen = sum(bool(photo.cards) for photo in photos)
    if seen < limits.min_photos:
        raise CameraError(
            f"Only {seen} of {len(photos)} photos show a card well: "
            f"{limits.min_photos} are needed, with the whole card in the picture."
        )
    cards = [card for photo in photos for card in photo.cards]
    start = _uncalibrated(first, first.exif.focal_35mm)
    poses = [fit_cards([card], start).poses[0] for card in cards]
    fit = fit_cards(cards, start, poses)
    normals = np.array([pose.rotation[:, 2] for pose in fit.poses])
    spread = float(np.degrees(np.arccos(np.clip((normals @ normals.T).min(), -1, 1))))
    if spread < limits.min_tilt_spread_deg:
        raise CameraError(
            f"All photos look from one direction (within {spread:.0f} degrees): take some tilted by 30 to 45 degrees "
            "from each side."
        )
    if fit.rms_px > limits.max_rms_px:
        raise CameraError(
            f"The cards do not fit one camera ({fit.rms_px:.1f} px off): lay the card flat and use one lens and zoom."
        )
    return CameraProfile(
        name=name,
        camera=first.exif.camera,
        focal_35mm=first.exif.focal_35mm,
        width_px=first.width,
        height_px=first.height,
        parameters=tuple(fit.camera.parameters.tolist()),
        covariance=tuple(tuple(row) for row in fit.camera.covariance.tolist()),
        reprojection_rms_px=fit.rms_px,
        photos=seen,
        cards=len(cards),
    )


def save_profile(profile: CameraProfile, path: str | Path) -> None:
    """Write a profile as JSON.

    Raises:
        CameraError: the place cannot be written.
    """
    try:
        write_whole(Path(path), profile.model_dump_json(indent=2) + "\n")
    except OSError as error:
        raise CameraError(f"The camera profile cannot be written to {path} ({error.strerror}).") from error


def load_profile(path: str | Path) -> CameraProfile:
    """Read a profile that :func:`save_profile` wrote.

    Raises:
        CameraError: no such file, or not a camera profile.
    """
    try:
        with Path(path).open("rb") as file:
            text = file.read(_LARGEST)
    except (OSError, ValueError) as error:
        raise CameraError(f"The camera profile {path} cannot be read: check its name and place.") from error
    try:
        return CameraProfile.model_validate_json(text)
    except ValidationError as error:
        raise CameraError(f"{path} is not a camera profile: make one from photos of the card.") from error
