"""Photos from the phone: small, bare of where they were taken, kept once, shown to their own people only."""

import uuid
from collections.abc import Iterator
from io import BytesIO
from pathlib import Path
from typing import Any

import pytest
from django.test import override_settings
from PIL import Image

from shop.jobs import photos
from shop.jobs.photos import LARGEST_UPLOAD_BYTES, LONGEST_SIDE_PX, PhotoRefused, reencode
from shop.models import Job, Moment, Person, Photo
from tests.inventory.small_shop import day
from tests.shop.api.served_shop import close_body, open_served_shop, put, signed_in

PHOTO = uuid.UUID("7a1f5a42-6f6c-4b6e-9d61-1c9f4f3f0a01")
# Exif 2.32 (CIPA DC-008): the pointer to the table of the place where a picture was taken, and its latitude.
GPS_POINTER, LATITUDE = 0x8825, 2
MAKER, ORIENTATION = 0x010F, 0x0112


@pytest.fixture(autouse=True)
def media(tmp_path: Path) -> Iterator[Path]:
    """Keep the photos of each test in a folder of its own."""
    with override_settings(MEDIA_ROOT=str(tmp_path)):
        yield tmp_path


@pytest.fixture
def _served(db: None) -> None:
    """Start with J-1 closed by ann on van-a, and J-b by ben on van-b."""
    open_served_shop()
    assert put("ann", "close", "C-1", close_body()).status_code == 201
    assert put("ben", "close", "C-b", close_body("J-b", van="van-b", technician="ben")).status_code == 201


served = pytest.mark.usefixtures("_served")


def picture(
    width: int = 320, height: int = 200, media_type: str = "JPEG", *, exif: Image.Exif | None = None
) -> bytes:
    """Return a picture whose left half is red."""
    image = Image.new("RGB", (width, height), "white")
    image.paste((255, 0, 0), (0, 0, width // 2, height))
    written = BytesIO()
    image.save(written, media_type, **({"exif": exif} if exif else {}))
    return written.getvalue()


def send(
    name: str, content: bytes, *, photo: object = PHOTO, job: str = "J-1", moment: str = "before"
) -> Any:
    """Send a photo as a person."""
    path = f"/phone/photos/{photo}/?job={job}&moment={moment}"
    return signed_in(name).put(path, content, content_type="image/jpeg")


def opened(content: bytes) -> Image.Image:
    """Return a picture, decoded whole."""
    image = Image.open(BytesIO(content))
    image.load()
    return image


def test_the_place_and_the_maker_are_left_behind_and_the_picture_stands_upright() -> None:
    exif = Image.Exif()
    exif[MAKER] = "A phone of somebody"
    exif[ORIENTATION] = 6  # turn right by 90 degrees to see it upright
    exif.get_ifd(GPS_POINTER)[LATITUDE] = (38.0, 42.0, 0.0)
    sent = picture(320, 200, exif=exif)
    assert opened(sent).getexif().get_ifd(GPS_POINTER)
    kept, width_px, height_px = reencode(sent + b"hidden behind the end")
    image = opened(kept)
    assert not dict(image.getexif())
    assert set(image.info) <= {"jfif", "jfif_version", "jfif_unit", "jfif_density"}
    assert b"A phone of somebody" not in kept
    assert b"hidden behind the end" not in kept
    assert (image.width, image.height) == (width_px, height_px) == (200, 320)
    # The red left half is on top now.
    top, bottom = image.getpixel((100, 10)), image.getpixel((100, 310))
    assert isinstance(top, tuple)
    assert isinstance(bottom, tuple)
    assert top[1] < 60
    assert bottom[1] > 200


def test_a_large_picture_becomes_small() -> None:
    kept, width_px, height_px = reencode(picture(4000, 3000))
    assert (width_px, height_px) == (LONGEST_SIDE_PX, LONGEST_SIDE_PX * 3 // 4)
    assert len(kept) < 400_000


@pytest.mark.parametrize("media_type", ["JPEG", "PNG", "WEBP"])
def test_a_picture_is_told_by_its_content(media_type: str) -> None:
    assert opened(reencode(picture(media_type=media_type))[0]).format == "JPEG"


@pytest.mark.parametrize(
    ("sent", "reason"),
    [
        (b"", "not a photo"),
        (b"<script>alert(1)</script>", "not a photo"),
        (picture(media_type="GIF"), "not a photo"),
        (picture(media_type="TIFF"), "not a photo"),
        (picture(2000, 1500)[:4000], "broken"),
        (b"\xff\xd8" + b"\0" * LARGEST_UPLOAD_BYTES, "larger than"),
    ],
)
def test_what_is_no_whole_picture_is_refused(sent: bytes, reason: str) -> None:
    with pytest.raises(PhotoRefused, match=reason):
        reencode(sent)


def test_a_picture_that_unpacks_to_far_too_much_is_refused_before_it_is_unpacked() -> None:
    # A PNG of one colour: some kilobytes that hold 100 million pixels.
    sent = BytesIO()
    Image.new("1", (10_000, 10_000)).save(sent, "PNG", optimize=True)
    assert len(sent.getvalue()) < 50_000
    with pytest.raises(PhotoRefused, match="10000 x 10000 pixels"):
        reencode(sent.getvalue())


@served
def test_a_photo_is_kept_once_however_often_it_is_sent(media: Path) -> None:
    assert send("ann", picture()).status_code == 201
    assert send("ann", picture()).status_code == 200
    assert send("ann", picture(64, 64)).status_code == 409
    kept = Photo.objects.get()
    assert (kept.job.reference, kept.moment, kept.taken_by.username) == ("J-1", "before", "ann")
    (file,) = [path for path in media.rglob("*") if path.is_file()]
    assert file.name == Path(kept.file_name).name
    assert str(PHOTO) not in file.name
    assert len(file.stem) == 32


@served
def test_a_photo_is_shown_to_its_technician_and_the_owner_only() -> None:
    send("ann", picture())
    path = f"/phone/photos/{PHOTO}/"
    for name in ("ann", "olga"):
        answer = signed_in(name).get(path)
        assert answer.status_code == 200
        assert answer["Content-Type"] == "image/jpeg"
        assert "private" in answer["Cache-Control"]
        assert opened(b"".join(answer.streaming_content)).format == "JPEG"  # type: ignore[attr-defined]
    assert signed_in("ben").get(path).status_code == 404
    for name in ("sue", "ada"):
        assert signed_in(name).get(path).status_code == 403
    for unknown in (uuid.uuid4(), "nothing", "..%2F..%2Fetc"):
        assert signed_in("ann").get(f"/phone/photos/{unknown}/").status_code == 404


@served
def test_no_address_serves_the_folder() -> None:
    send("ann", picture())
    name = Photo.objects.get().file_name
    for path in (f"/media/{name}", f"/{name}", f"/static/{name}", f"/phone/photos/{name}"):
        assert signed_in("olga").get(path).status_code == 404


@served
def test_a_photo_of_what_is_not_ones_own_or_of_nothing_is_refused() -> None:
    for job in ("J-b", "J-unknown", ""):
        assert send("ann", picture(), job=job).status_code == 403
    assert send("olga", picture()).status_code == 403
    assert send("ann", picture(), moment="during").status_code == 400
    assert send("ann", picture(), photo="not-a-uuid").status_code == 400
    answer = send("ann", b"no picture")
    assert answer.status_code == 400
    assert answer["Content-Type"] == "application/problem+json"
    assert "JPEG" in answer.json()["detail"]
    assert not Photo.objects.exists()


@served
def test_a_job_keeps_so_many_photos_and_no_more(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(photos, "MOST_PER_JOB", 2)
    for _ in range(2):
        assert send("ann", picture(), photo=uuid.uuid4()).status_code == 201
    answer = send("ann", picture(), photo=uuid.uuid4())
    assert answer.status_code == 400
    assert "2 photos already" in answer.json()["detail"]


@served
def test_a_photo_that_came_twice_at_once_leaves_one_file(
    media: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    job, by = Job.objects.get(reference="J-1"), Person.objects.get(username="ann")
    at = day(20)

    def kept_as(photo: uuid.UUID) -> tuple[Photo, bool]:
        return photos.keep(photo, picture(), job=job, moment=Moment.BEFORE, by=by, now=at)

    original = photos.reencode

    def drawn_while_the_other_is_kept(sent: bytes) -> tuple[bytes, int, int]:
        monkeypatch.setattr(photos, "reencode", original)
        kept_as(PHOTO)
        return original(sent)

    monkeypatch.setattr(photos, "reencode", drawn_while_the_other_is_kept)
    kept, created = kept_as(PHOTO)
    assert (kept.pk, created) == (PHOTO, False)
    assert len([path for path in media.rglob("*") if path.is_file()]) == 1


@served
def test_an_owner_sees_a_jobs_photos_with_the_job_and_an_accountant_does_not() -> None:
    assert send("ann", picture()).status_code == 201
    page = f"/owner/jobs/{Job.objects.get(reference='J-1').pk}/"
    shown = signed_in("olga").get(page).content.decode()
    assert f'src="/phone/photos/{PHOTO}/"' in shown
    assert "Before the work" in shown
    assert str(PHOTO) not in signed_in("ada").get(page).content.decode()
    other = f"/owner/jobs/{Job.objects.get(reference='J-b').pk}/"
    assert "Photos" not in signed_in("olga").get(other).content.decode()
