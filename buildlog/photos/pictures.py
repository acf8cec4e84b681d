"""Storing uploaded photos: real raster images only, turned upright, without metadata."""

from __future__ import annotations

import io
import uuid
import warnings
from typing import Any

from django.core.exceptions import ValidationError
from django.core.files.base import ContentFile
from PIL import Image, ImageOps

from buildlog.photos.models import Photo
from buildlog.storage.stored_files import Put, stored_together

LARGEST_BYTES = 15 * 1024 * 1024
LARGEST_PIXELS = 50_000_000
LONGEST_SIDE_PX = 2560
THUMBNAIL_SIDE_PX = 480
FORMATS = ("JPEG", "PNG", "WEBP")


def read_picture(file: Any) -> Image.Image:
    """The upright picture in an uploaded file, without metadata such as camera or place.

    Raises ValidationError with a sentence when the file is too large, is not one of the formats,
    is damaged, or would unpack to more pixels than a camera takes.
    """
    if file.size > LARGEST_BYTES:
        raise ValidationError(
            f"The picture has {file.size / 1e6:.0f} MB; at most {LARGEST_BYTES / 1e6:.0f} MB are accepted. "
            "Send a smaller one."
        )
    try:
        with warnings.catch_warnings():
            # Pillow only warns of a picture that unpacks to a huge size; here it is refused.
            warnings.simplefilter("error", Image.DecompressionBombWarning)
            with Image.open(file, formats=FORMATS) as opened:
                if opened.width * opened.height > LARGEST_PIXELS:
                    raise ValidationError(
                        f"The picture has {opened.width} × {opened.height} pixels; at most {LARGEST_PIXELS // 10**6} "
                        "million are accepted. Send a smaller one."
                    )
                upright = ImageOps.exif_transpose(opened)
                flat = upright.convert("RGB")
                flat.thumbnail((LONGEST_SIDE_PX, LONGEST_SIDE_PX))
    except ValidationError:
        raise
    except (Image.DecompressionBombError, Image.DecompressionBombWarning):
        raise ValidationError("The picture unpacks to more pixels than any camera takes. Send another one.") from None
    except Exception:
        # Decoders raise many kinds of errors on damaged files; the person gets one sentence for all.
        raise ValidationError(
            "This file is not a complete JPEG, PNG or WebP picture. Save it as JPEG and send it again."
        ) from None
    # A new image holds only the pixels: no place, no camera, no comment.
    clean = Image.new("RGB", flat.size)
    clean.paste(flat)
    return clean


def _jpeg(picture: Image.Image, quality: int) -> ContentFile[bytes]:
    buffer = io.BytesIO()
    picture.save(buffer, "JPEG", quality=quality, optimize=True)
    return ContentFile(buffer.getvalue())


def give_files(photo: Photo, picture: Image.Image, put: Put, quality: int = 85) -> None:
    """Store a picture and its thumbnail for a photo that is not stored yet."""
    photo.width_px, photo.height_px = picture.size
    small = picture.copy()
    small.thumbnail((THUMBNAIL_SIDE_PX, THUMBNAIL_SIDE_PX))
    put(photo.image, _jpeg(picture, quality))
    put(photo.thumbnail, _jpeg(small, quality))


def store_photo(file: Any, *, caption: str = "", pk: uuid.UUID | None = None, **subject: Any) -> Photo:
    """Store an uploaded picture for one subject. The uploaded file's name is not used."""
    return store_picture(read_picture(file), caption=caption, pk=pk, **subject)


def store_picture(picture: Image.Image, *, caption: str = "", pk: uuid.UUID | None = None, **subject: Any) -> Photo:
    """Store a picture that was read already."""
    photo = Photo(pk=pk or uuid.uuid4(), caption=caption, width_px=picture.width, height_px=picture.height, **subject)
    photo.full_clean(exclude=["image", "thumbnail"])
    with stored_together() as put:
        give_files(photo, picture, put)
        photo.save(force_insert=True)
    return photo
