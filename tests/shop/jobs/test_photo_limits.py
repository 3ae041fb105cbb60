"""Photos take bounded memory, one after the other, and are kept whole or not at all."""

import json
import os
import resource
import subprocess
import sys
from collections.abc import Callable, Iterator
from io import BytesIO
from pathlib import Path
from typing import Any, NoReturn

import pytest
from django.db import OperationalError
from django.test import override_settings
from PIL import Image

from shop.jobs import photos
from shop.jobs.photos import LARGEST_PIXELS, MOST_PER_JOB, MOST_WAITING, PhotoRefused, reencode
from shop.models import Photo
from tests.servers import PROJECT, run_race
from tests.shop.api.served_shop import close_body, open_served_shop, put, signed_in
from tests.shop.phone.test_photo_views import picture, send
from tests.shop.photo_bombs import COPIES
from tests.shop.photo_race import ALREADY, SENT

# What a process may take beyond its own size, however many pictures come at once.
MOST_MEMORY_BYTES = 300_000_000
NO_SPACE = OSError(28, "No space left on device")


@pytest.fixture(autouse=True)
def media(tmp_path: Path) -> Iterator[Path]:
    """Keep the photos of each test in a folder of its own."""
    with override_settings(MEDIA_ROOT=str(tmp_path)):
        yield tmp_path


def files(folder: Path) -> list[Path]:
    return [path for path in folder.rglob("*") if path.is_file()]


def jpeg(width: int, height: int, **options: Any) -> bytes:
    written = BytesIO()
    Image.new("L", (width, height), 120).save(written, "JPEG", quality=30, **options)
    return written.getvalue()


def test_pictures_that_unpack_to_much_take_bounded_memory_however_many_come_at_once(
    migrated_sqlite_url: str, tmp_path: Path
) -> None:
    def run(what: str) -> str:
        done = subprocess.run(
            [sys.executable, "-m", "tests.shop.photo_bombs", what, str(folder)],
            cwd=PROJECT,
            env={**os.environ, "DATABASE_URL": migrated_sqlite_url, "LOG_LEVEL": "CRITICAL"},
            capture_output=True,
            encoding="utf-8",
            check=False,
        )
        assert done.returncode == 0, done.stderr[-4000:]
        return done.stdout

    folder = tmp_path / "pictures"
    folder.mkdir()
    run("make")
    found = json.loads(run("post"))
    for name, answers in found["answers"].items():
        assert len(answers) == COPIES, name
        for answer in answers:
            if name.startswith("taken"):
                assert answer == "201", name
            else:
                assert answer.startswith("400 The photo has "), name
                assert f"at most {LARGEST_PIXELS:,} are taken" in answer
    assert found["after"] - found["before"] < MOST_MEMORY_BYTES, found


@pytest.mark.parametrize(
    ("width", "height", "options"),
    [
        (4_000, 3_001, {"progressive": True}),
        (12_100, 10_000, {}),  # more than is decoded at a fraction of its size
        (16_000, 1_000, {}),  # no fraction is small enough while its short side stays sharp
    ],
)
def test_a_large_jpeg_that_cannot_be_decoded_small_is_refused_before_it_is_decoded(
    width: int, height: int, options: dict[str, Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    sent = jpeg(width, height, **options)

    def decoded(*_: object) -> NoReturn:
        raise AssertionError("the picture was decoded")

    monkeypatch.setattr(Image.Image, "convert", decoded)
    monkeypatch.setattr(Image.Image, "thumbnail", decoded)
    with pytest.raises(PhotoRefused, match=r"pixels.*Take it at a lower resolution"):
        reencode(sent)


def test_a_large_photo_of_a_camera_is_decoded_small() -> None:
    _, width_px, height_px = reencode(jpeg(8_000, 6_000))
    assert (width_px, height_px) == (1600, 1200)


@pytest.mark.parametrize("standalone", [b"\xff\x01", b"\xff\xd0", b"\xff\xd8"])
def test_a_jpeg_that_hides_its_frame_is_not_taken_for_one_of_one_scan(standalone: bytes) -> None:
    sent = jpeg(64, 64)
    assert photos._has_one_scan(sent)
    assert not photos._has_one_scan(sent[:2] + standalone + sent[2:])
    assert not photos._has_one_scan(jpeg(64, 64, progressive=True))
    assert not any(photos._has_one_scan(sent[:end]) for end in range(30))


@pytest.mark.django_db
def test_who_would_wait_behind_too_many_photos_is_told_to_come_again(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    open_served_shop()
    put("ann", "close", "C-1", close_body())
    for _ in range(1 + MOST_WAITING):
        assert photos._room.acquire(blocking=False)
    try:
        answer = send("ann", picture())
    finally:
        for _ in range(1 + MOST_WAITING):
            photos._room.release()
    assert answer.status_code == 503
    assert int(answer.headers["Retry-After"]) > 0
    assert "busy" in answer.json()["detail"]
    # What was refused gave its room back, too.
    for _ in range(2 + MOST_WAITING):
        with pytest.raises(PhotoRefused):
            reencode(b"no picture")
    assert send("ann", picture()).status_code == 201


def limit_files(patch: pytest.MonkeyPatch) -> None:
    """Let no file of this process grow beyond 1,000 bytes: what a full disk does, half-way through."""
    _, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    opened = Path.open

    def open_and_limit(path: Path, *args: Any, **options: Any) -> Any:
        if path.suffix == ".part":
            resource.setrlimit(resource.RLIMIT_FSIZE, (1_000, hard))
        return opened(path, *args, **options)

    patch.setattr(Path, "open", open_and_limit)


def failing(error: Exception) -> Callable[..., NoReturn]:
    def fail(*_: object, **__: object) -> NoReturn:
        raise error

    return fail


FAILURES: dict[str, Callable[[pytest.MonkeyPatch], None]] = {
    "the disk is full half-way": limit_files,
    "the disk is full at the end": lambda patch: patch.setattr(os, "fsync", failing(NO_SPACE)),
    "the name cannot be given": lambda patch: patch.setattr(Path, "replace", failing(NO_SPACE)),
    "the folder cannot be made": lambda patch: patch.setattr(Path, "mkdir", failing(NO_SPACE)),
    "the database is full": lambda patch: patch.setattr(
        Photo, "save", failing(OperationalError("database or disk is full"))
    ),
    "the folder's names cannot be kept": lambda patch: patch.setattr(photos, "_sync", failing(NO_SPACE)),
}


@pytest.mark.django_db
@pytest.mark.parametrize("how", FAILURES)
def test_a_photo_that_cannot_be_written_leaves_neither_row_nor_file_and_is_sent_again(
    how: str, media: Path
) -> None:
    open_served_shop()
    put("ann", "close", "C-1", close_body())
    sent = picture(1600, 1200)
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    with pytest.MonkeyPatch.context() as patch:
        FAILURES[how](patch)
        try:
            answer = send("ann", sent)
        finally:
            resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
    assert answer.status_code == 507, answer.content
    assert answer["Content-Type"] == "application/problem+json"
    assert answer.headers["Retry-After"]
    assert "send it again" in answer.json()["detail"]
    assert not Photo.objects.exists()
    assert not files(media)
    assert send("ann", sent).status_code == 201
    (file,) = files(media)
    assert file.stat().st_size == Photo.objects.get().size_bytes > 1_000
    file.unlink()
    assert signed_in("olga").get(f"/phone/photos/{Photo.objects.get().pk}/").status_code == 404


def test_photos_that_come_at_once_never_pass_the_limit_of_their_job(
    migrated_url: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("MEDIA_ROOT", str(tmp_path / "kept"))
    found = json.loads(run_race(migrated_url, "tests.shop.photo_race"))
    assert found == {
        "kept": MOST_PER_JOB - ALREADY,
        "refused": ALREADY + SENT - MOST_PER_JOB,
        "rows": MOST_PER_JOB,
    }
    assert len(files(tmp_path / "kept")) == MOST_PER_JOB
