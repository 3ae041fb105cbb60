"""Files of photos that nothing names: a process that ended between writing a file and its row leaves one."""

import stat
from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path

from django.core.files.storage import default_storage

from shop.common.chunks import chunks
from shop.models import Photo

FOLDER = "photos"
# A photo's row follows its file within seconds, so what is this old and has no row gets none any more.
YOUNGEST = timedelta(days=1)


def forget_unnamed(now: datetime) -> int:
    """Delete the files in the photos' folder that are older than a day and that no photo names.

    Returns how many. Files are listed before rows are read, so that a photo taken in meanwhile is not missed.
    """
    removed = 0
    for folder in _folders():
        old = [path for path in sorted(folder.iterdir()) if _is_old(path, now)]
        for chunk in chunks(old):
            names = {path: f"{FOLDER}/{folder.name}/{path.name}" for path in chunk}
            named = Photo.objects.filter(file_name__in=names.values())
            kept = set(named.values_list("file_name", flat=True))
            for path, name in names.items():
                if name not in kept:
                    path.unlink(missing_ok=True)
                    removed += 1
    return removed


def _folders() -> Iterator[Path]:
    """Yield the folders of months that photos are kept in."""
    top = Path(default_storage.path(FOLDER))
    if top.is_dir():
        yield from (folder for folder in sorted(top.iterdir()) if folder.is_dir())


def _is_old(path: Path, now: datetime) -> bool:
    """Return whether this is a file of its own that was written more than a day ago."""
    try:
        written = path.lstat()
    except FileNotFoundError:
        return False
    return stat.S_ISREG(written.st_mode) and written.st_mtime < (now - YOUNGEST).timestamp()
