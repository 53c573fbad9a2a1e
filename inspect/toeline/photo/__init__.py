"""A photo file to upright pixels, whatever the file holds."""

from toeline.photo.decoder import U8, Exif
from toeline.photo.photo import Photo, read_photo

__all__ = ["U8", "Exif", "Photo", "read_photo"]
