"""Files that no photo names are cleared each night; what a photo names, or may soon, stays."""

import os
import uuid
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from django.test import override_settings
from django.utils import timezone

from forecasting.schedule import WorkKind
from forecasting.scheduler.runner import do_all
from shop.common.chunks import chunks
from shop.jobs import photo_files
from shop.jobs.photo_files import forget_unnamed
from shop.models import Photo
from tests.shop.api.served_shop import close_body, open_served_shop, put
from tests.shop.phone.test_photo_views import picture, send

pytestmark = pytest.mark.django_db

OLD = timedelta(days=2)


@pytest.fixture(autouse=True)
def photos(tmp_path: Path) -> Iterator[Path]:
    """Start with a photo of a closed job; return the folder of its month."""
    with override_settings(MEDIA_ROOT=str(tmp_path)):
        open_served_shop()
        put("ann", "close", "C-1", close_body())
        assert send("ann", picture()).status_code == 201
        yield (tmp_path / Photo.objects.get().file_name).parent


def grow_old(path: Path) -> None:
    """Let a file have been written two days ago."""
    then = (timezone.now() - OLD).timestamp()
    os.utime(path, (then, then))


def left(folder: Path) -> set[str]:
    return {path.name for path in folder.iterdir()}


def test_an_old_file_without_a_row_is_removed_and_no_other(photos: Path) -> None:
    (kept,) = photos.iterdir()
    grow_old(kept)
    for name in ("orphan.jpg", "cut-off.part"):
        (photos / name).write_bytes(kept.read_bytes())
        grow_old(photos / name)
    (photos / "just-written.jpg").write_bytes(b"its row follows")
    assert forget_unnamed(timezone.now()) == 2
    assert left(photos) == {kept.name, "just-written.jpg"}
    assert forget_unnamed(timezone.now()) == 0


def test_what_a_kill_between_the_file_and_its_row_leaves_is_cleared_at_night(
    photos: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (kept,) = photos.iterdir()
    placed: list[Path] = []
    replace = Path.replace

    def killed_after(path: Path, target: Path) -> None:
        replace(path, target)
        placed.append(target)
        target.rename(target.with_name("left-behind.jpg"))
        raise KeyboardInterrupt

    with monkeypatch.context() as patched:
        patched.setattr(Path, "replace", killed_after)
        with pytest.raises(KeyboardInterrupt):
            send("ann", picture(300), photo=uuid.uuid4())
    assert left(photos) == {kept.name, "left-behind.jpg"}
    for path in photos.iterdir():
        grow_old(path)
    said = {attempt.piece.kind: attempt.said for attempt in do_all(timezone.now())}
    assert said[WorkKind.PHOTOS] == "1 file without a photo removed"
    assert left(photos) == {kept.name}


def test_a_photo_that_comes_while_files_are_cleared_stays(
    photos: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (kept,) = photos.iterdir()
    (photos / "orphan.jpg").write_bytes(b"")
    for path in photos.iterdir():
        grow_old(path)

    def with_a_photo_meanwhile(paths: Any) -> Any:
        assert send("ann", picture(301), photo=uuid.uuid4()).status_code == 201
        return chunks(paths)

    monkeypatch.setattr(photo_files, "chunks", with_a_photo_meanwhile)
    assert forget_unnamed(timezone.now()) == 1
    assert Photo.objects.count() == 2
    named = {Path(name).name for name in Photo.objects.values_list("file_name", flat=True)}
    assert left(photos) == named
    assert kept.name in named


def test_without_any_photo_there_is_nothing_to_do(tmp_path: Path) -> None:
    with override_settings(MEDIA_ROOT=str(tmp_path / "none")):
        assert forget_unnamed(timezone.now()) == 0
