"""Photos of jobs, before and after: how they are taken in, where they are kept, whose they are.

A phone's picture is not trusted. What it is, is told by its content; it is decoded with a limit on its size,
drawn anew and encoded anew, so that nothing is kept but the picture itself: no place, no device, nothing
hidden behind its end. Files have random names in a folder that no web server serves; shop.phone.photo_views
hands them out to those who may see the job.
"""

import hashlib
import secrets
import uuid
import warnings
from datetime import datetime
from io import BytesIO

from django.core.files.base import ContentFile
from django.core.files.storage import default_storage
from django.db import IntegrityError, models, transaction
from PIL import Image, ImageOps, UnidentifiedImageError

LARGEST_UPLOAD_BYTES = 4_000_000
# A phone sends no more than 1600 pixels a side; its camera may have 50 million.
LARGEST_PIXELS = 60_000_000
LONGEST_SIDE_PX = 1600
QUALITY = 80
MOST_PER_JOB = 24
FORMATS = ("JPEG", "PNG", "WEBP")


class PhotoRefused(Exception):
    """A photo that is not kept; says why and what to do."""


class PhotoConflict(PhotoRefused):
    """The id was taken by another photo."""


class Moment(models.TextChoices):
    """When in a job a photo was taken."""

    BEFORE = "before"
    AFTER = "after"


class Photo(models.Model):
    """A photo of a job; its file is in the default storage under a random name."""

    id = models.UUIDField(primary_key=True, editable=False)
    job = models.ForeignKey("shop.Job", on_delete=models.PROTECT, related_name="photos")
    moment = models.CharField(max_length=8, choices=Moment.choices)
    file_name = models.CharField(max_length=100, unique=True)
    upload_digest = models.CharField(max_length=64, help_text="SHA-256 of what was sent: tells a retry")
    width_px = models.PositiveIntegerField()
    height_px = models.PositiveIntegerField()
    size_bytes = models.PositiveIntegerField()
    taken_by = models.ForeignKey("shop.Person", on_delete=models.PROTECT, related_name="+")
    recorded_at = models.DateTimeField()

    class Meta:
        app_label = "shop"
        ordering = ["-moment", "recorded_at", "pk"]
        constraints = [
            models.CheckConstraint(condition=models.Q(moment__in=Moment.values), name="photo_before_or_after")
        ]

    def __str__(self) -> str:
        return f"{self.job}: {self.moment} {self.recorded_at:%Y-%m-%d %H:%M}"


def drawn_anew(sent: bytes) -> tuple[bytes, int, int]:
    """Return a picture as a JPEG of at most LONGEST_SIDE_PX, with its width and height in pixels.

    Raises PhotoRefused for what is no picture, is broken, or is too large to be safe to decode.
    """
    if len(sent) > LARGEST_UPLOAD_BYTES:
        raise PhotoRefused(
            f"The photo is larger than {LARGEST_UPLOAD_BYTES:,} bytes; take it at a lower quality."
        )
    try:
        with warnings.catch_warnings():
            # Pillow's own guard warns well before our limit, which is checked before anything is decoded.
            warnings.simplefilter("ignore", Image.DecompressionBombWarning)
            image = Image.open(BytesIO(sent), formats=FORMATS)
        if image.width * image.height > LARGEST_PIXELS:
            raise PhotoRefused(
                f"The photo has {image.width} x {image.height} pixels; at most {LARGEST_PIXELS:,} are taken."
            )
        # A JPEG can be decoded small at once, which spares memory.
        image.draft("RGB", (LONGEST_SIDE_PX, LONGEST_SIDE_PX))
        upright = ImageOps.exif_transpose(image).convert("RGB")
    except (UnidentifiedImageError, Image.DecompressionBombError) as error:
        raise PhotoRefused("This is no photo that can be read: send a JPEG, PNG or WebP.") from error
    except (OSError, SyntaxError, ValueError) as error:
        raise PhotoRefused("The photo is broken or was cut off on its way; take or send it again.") from error
    upright.thumbnail((LONGEST_SIDE_PX, LONGEST_SIDE_PX))
    # A picture made from the pixels alone: what else the file held has nowhere to go.
    bare = Image.frombytes("RGB", upright.size, upright.tobytes())
    written = BytesIO()
    bare.save(written, "JPEG", quality=QUALITY, optimize=True)
    return written.getvalue(), bare.width, bare.height


def keep(
    photo_id: uuid.UUID, sent: bytes, *, job: models.Model, moment: Moment, by: models.Model, now: datetime
) -> tuple[Photo, bool]:
    """Keep a photo of a job, once however often it is sent; True when it is new.

    Raises PhotoRefused, or PhotoConflict when the id belongs to another photo.
    """
    digest = hashlib.sha256(sent).hexdigest()
    if known := Photo.objects.filter(pk=photo_id).first():
        return _same(known, digest, job), False
    if Photo.objects.filter(job=job.pk).count() >= MOST_PER_JOB:
        raise PhotoRefused(f"The job has {MOST_PER_JOB} photos already, which is the most that are kept.")
    picture, width_px, height_px = drawn_anew(sent)
    name = f"photos/{now:%Y-%m}/{secrets.token_hex(16)}.jpg"
    photo = Photo(
        id=photo_id,
        job_id=job.pk,
        moment=moment,
        file_name=default_storage.save(name, ContentFile(picture)),
        upload_digest=digest,
        width_px=width_px,
        height_px=height_px,
        size_bytes=len(picture),
        taken_by_id=by.pk,
        recorded_at=now,
    )
    try:
        with transaction.atomic():
            photo.save(force_insert=True)
    except IntegrityError:
        # The same photo came twice at the same time: the other one stands.
        default_storage.delete(photo.file_name)
        return _same(Photo.objects.get(pk=photo_id), digest, job), False
    return photo, True


def _same(known: Photo, digest: str, job: models.Model) -> Photo:
    if (known.upload_digest, known.job_id) != (digest, job.pk):
        raise PhotoConflict("Another photo has this id; take the photo again.")
    return known
