"""Photos of jobs, before and after: how they are taken in, where they are kept, whose they are.

A phone's picture is not trusted. Its content, not its name, decides its type. It is decoded with a limit on
its size and encoded again, so that only the picture itself is kept: no place, no device, nothing hidden
behind its end. Files have random names in a folder that no web server serves; shop.phone.photo_views
hands them out to those who may see the job.
"""

import hashlib
import logging
import os
import secrets
import threading
import uuid
import warnings
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from datetime import datetime
from io import BytesIO
from pathlib import Path

from django.core.files.storage import default_storage
from django.db import IntegrityError, OperationalError, models, transaction
from PIL import Image, ImageOps, UnidentifiedImageError

from shop.models import Moment, Photo

log = logging.getLogger(__name__)

LARGEST_UPLOAD_BYTES = 4_000_000
# Decoded, a pixel takes 4 bytes, and some steps need two or three copies. A phone sends 2.56 million at most.
LARGEST_PIXELS = 12_000_000
# A JPEG of one scan can be decoded at a half, quarter or eighth of its size without ever being held whole.
LARGEST_REDUCED_PIXELS = 120_000_000
LONGEST_SIDE_PX = 1600
QUALITY = 80
MOST_PER_JOB = 24
FORMATS = ("JPEG", "PNG", "WEBP")
SMALLER = "Take it at a lower resolution."

# ITU-T T.81, table B.1: what begins a marker, and the second bytes of those that matter. All between 0xC0 and
# 0xCF are frames except tables and the like; those from 0xD0 to 0xD9 and the one below 0xC0 have no length.
MARKER, START_OF_SCAN = 0xFF, 0xDA
SEQUENTIAL_FRAMES, TABLES = (0xC0, 0xC1), (0xC4, 0xCC)

# Pillow's own guard, behind ours.
Image.MAX_IMAGE_PIXELS = LARGEST_REDUCED_PIXELS
warnings.simplefilter("error", Image.DecompressionBombWarning)

# The number of photos that may wait in a process while one is decoded; the others are asked to come again, so
# that photos never take all the threads of a server.
MOST_WAITING = 3
_room = threading.BoundedSemaphore(1 + MOST_WAITING)
# One thread for all: threads that decode in turn would each keep the memory that it took.
_decoder = ThreadPoolExecutor(max_workers=1, thread_name_prefix="photos")


class PhotoRefused(Exception):
    """A photo that is not kept; says why and what to do."""


class PhotoConflict(PhotoRefused):
    """Another photo has the id."""


class PhotoNotKeptError(Exception):
    """A photo that cannot be taken in now; the sender is to send it again."""


class PhotosBusyError(PhotoNotKeptError):
    """Others are being decoded."""


def reencode(sent: bytes) -> tuple[bytes, int, int]:
    """Return a picture as a JPEG of at most LONGEST_SIDE_PX, with its width and height in pixels.

    One picture is decoded at a time. Raises PhotoRefused for what is not a picture, is broken, or is too
    large to be safe to decode, PhotosBusyError when too many wait.
    """
    if len(sent) > LARGEST_UPLOAD_BYTES:
        raise PhotoRefused(
            f"The photo is larger than {LARGEST_UPLOAD_BYTES:,} bytes; take it at a lower quality."
        )
    if not _room.acquire(blocking=False):
        raise PhotosBusyError("The shop is busy with other photos; send it again in a while.")
    try:
        return _decoder.submit(_reencoded, sent).result()
    except (Image.DecompressionBombError, Image.DecompressionBombWarning) as error:
        raise PhotoRefused(f"The photo has more than {LARGEST_REDUCED_PIXELS:,} pixels. {SMALLER}") from error
    except UnidentifiedImageError as error:
        raise PhotoRefused("This is not a photo that can be read: send a JPEG, PNG or WebP.") from error
    except (OSError, SyntaxError, ValueError) as error:
        raise PhotoRefused("The photo is broken or was cut off on its way; take or send it again.") from error
    finally:
        _room.release()


def _reencoded(sent: bytes) -> tuple[bytes, int, int]:
    image = Image.open(BytesIO(sent), formats=FORMATS)
    _make_safe_to_decode(image, sent)
    # Each step releases what the one before held.
    picture: Image.Image = image if image.mode == "RGB" else image.convert("RGB")
    picture.thumbnail((LONGEST_SIDE_PX, LONGEST_SIDE_PX))
    picture = ImageOps.exif_transpose(picture)
    # A picture made from the pixels alone: what else the file held has nowhere to go.
    bare = Image.frombytes("RGB", picture.size, picture.tobytes())
    written = BytesIO()
    bare.save(written, "JPEG", quality=QUALITY, optimize=True)
    return written.getvalue(), bare.width, bare.height


def _make_safe_to_decode(image: Image.Image, sent: bytes) -> None:
    """Let a JPEG be decoded small, as far as that spares memory. Raises PhotoRefused for what stays large."""
    width_px, height_px = image.size
    within_reason = width_px * height_px <= LARGEST_REDUCED_PIXELS
    if image.format == "JPEG" and within_reason and (_has_one_scan(sent) or _fits(image)):
        image.draft("RGB", (LONGEST_SIDE_PX, LONGEST_SIDE_PX))
    if not _fits(image):
        raise PhotoRefused(
            f"The photo has {width_px} x {height_px} pixels; at most {LARGEST_PIXELS:,} are taken. {SMALLER}"
        )


def _fits(image: Image.Image) -> bool:
    return image.width * image.height <= LARGEST_PIXELS


def _has_one_scan(jpeg: bytes) -> bool:
    """Return whether a JPEG holds all its components in one scan (ITU-T T.81, annex B).

    Of any other, progressive ones first of all, a decoder keeps every coefficient, however small it decodes.
    """
    at, in_frame = 2, 0
    while at + 10 <= len(jpeg) and jpeg[at] == MARKER:
        kind, length = jpeg[at + 1], int.from_bytes(jpeg[at + 2 : at + 4])
        if kind == MARKER:  # a fill byte
            at += 1
            continue
        if kind == START_OF_SCAN:
            return 0 < in_frame == jpeg[at + 4]
        if kind in SEQUENTIAL_FRAMES:
            in_frame = jpeg[at + 9]
        elif kind < 0xC0 or (kind <= 0xD9 and kind not in TABLES):
            return False
        at += 2 + length
    return False


def keep(
    photo_id: uuid.UUID, sent: bytes, *, job: models.Model, moment: Moment, by: models.Model, now: datetime
) -> tuple[Photo, bool]:
    """Keep a photo of a job, once however often it is sent; True when it is new.

    A photo is a whole file and its row, or neither. Raises PhotoRefused, or PhotoConflict when the id belongs
    to another photo, or PhotoNotKeptError when it is to be sent again.
    """
    digest = hashlib.sha256(sent).hexdigest()
    if known := Photo.objects.filter(pk=photo_id).first():
        return _same(known, digest, job), False
    _check_room(job)
    picture, width_px, height_px = reencode(sent)
    photo = Photo(
        id=photo_id,
        job_id=job.pk,
        moment=moment,
        file_name=f"photos/{now:%Y-%m}/{secrets.token_hex(16)}.jpg",
        upload_digest=digest,
        width_px=width_px,
        height_px=height_px,
        size_bytes=len(picture),
        taken_by_id=by.pk,
        recorded_at=now,
    )
    try:
        with _written(photo.file_name, picture) as put_in_place, transaction.atomic():
            # Photos of one job wait for each other here, so that their number is true.
            type(job)._default_manager.select_for_update(of=("self",)).get(pk=job.pk)
            if known := Photo.objects.filter(pk=photo_id).first():
                return _same(known, digest, job), False
            _check_room(job)
            photo.save(force_insert=True)
            put_in_place()
    except IntegrityError:
        # The same id came with another job at the same time: the other one stands.
        return _same(Photo.objects.get(pk=photo_id), digest, job), False
    except OperationalError as error:
        log.exception("A photo of %s was not kept", job)
        raise PhotoNotKeptError("The shop's database could not take the photo; send it again.") from error
    except OSError as error:
        log.exception("A photo of %s was not kept", job)
        raise PhotoNotKeptError("The shop's disk could not take the photo; send it again.") from error
    return photo, True


def _check_room(job: models.Model) -> None:
    if Photo.objects.filter(job=job.pk).count() >= MOST_PER_JOB:
        raise PhotoRefused(f"The job has {MOST_PER_JOB} photos already, which is the most that are kept.")


@contextmanager
def _written(name: str, content: bytes) -> Iterator[Callable[[], None]]:
    """Write a file under another name; give what puts it in its place.

    Unless the block ends with it in place, nothing is left. Raises OSError.
    """
    path = Path(default_storage.path(name))
    aside = path.with_suffix(".part")
    placed = False

    def put_in_place() -> None:
        nonlocal placed
        aside.replace(path)
        _sync(path.parent)
        placed = True

    path.parent.mkdir(parents=True, exist_ok=True)
    try:
        with aside.open("xb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        yield put_in_place
    except BaseException:
        placed = False
        raise
    finally:
        aside.unlink(missing_ok=True)
        if not placed:
            path.unlink(missing_ok=True)


def _sync(folder: Path) -> None:
    """Make the names in a folder last through a loss of power."""
    opened = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(opened)
    finally:
        os.close(opened)


def _same(known: Photo, digest: str, job: models.Model) -> Photo:
    if (known.upload_digest, known.job_id) != (digest, job.pk):
        raise PhotoConflict("Another photo has this id; take the photo again.")
    return known
