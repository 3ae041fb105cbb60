"""Pictures that unpack to far more than they weigh, and a process that is sent them at once.

Run as `python -m tests.shop.photo_bombs make FOLDER`, then on a migrated DATABASE_URL as `... post FOLDER`.
That sends each picture some times from as many threads as the server has, again while the shop is busy, and
prints as JSON what was answered and the peak of memory before and after, in bytes.
"""

import json
import os
import resource
import struct
import sys
import threading
import time
import uuid
import zlib
from pathlib import Path
from queue import Empty, Queue

import django
from PIL import Image

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "shop.config.settings")
COPIES = 4
THREADS = 8


def png(width: int, height: int, color_type: int, channels: int) -> bytes:
    """Return a PNG of one colour (PNG specification, 3rd edition), made row by row."""

    def chunk(kind: bytes, content: bytes) -> bytes:
        check = zlib.crc32(kind + content)
        return struct.pack(">I", len(content)) + kind + content + struct.pack(">I", check)

    packer = zlib.compressobj(9)
    row = b"\0" + b"\x7f" * (width * channels)
    packed = b"".join([*(packer.compress(row) for _ in range(height)), packer.flush()])
    header = struct.pack(">IIBBBBB", width, height, 8, color_type, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + chunk(b"IDAT", packed) + chunk(b"IEND", b"")


def make(folder: Path) -> None:
    """Write the largest pictures that are taken, and larger ones."""
    (folder / "refused-rgb.png").write_bytes(png(7_700, 7_700, 2, 3))
    (folder / "refused-rgba.png").write_bytes(png(11_000, 10_000, 6, 4))
    (folder / "taken-rgba.png").write_bytes(png(4_000, 3_000, 6, 4))
    large = Image.new("RGB", (8_000, 7_500), (90, 120, 60))
    large.save(folder / "taken-one-scan.jpg", quality=60)
    large.save(folder / "refused-progressive.jpg", quality=60, progressive=True)
    middle = Image.new("RGBA", (4_000, 3_000), (90, 120, 60, 200))
    middle.save(folder / "taken.webp", quality=60)
    middle.convert("RGB").save(folder / "taken-progressive.jpg", quality=60, progressive=True)


def post(folder: Path) -> None:
    """Send each picture several times at once; print the answers and the memory it took."""
    django.setup()
    from django.conf import settings  # noqa: PLC0415 - needs the setup above
    from django.test import Client  # noqa: PLC0415

    from shop.jobs.photos import reencode  # noqa: PLC0415
    from tests.shop.api.served_shop import close_body, open_served_shop, put, signed_in  # noqa: PLC0415

    settings.ALLOWED_HOSTS = ["testserver"]
    settings.MEDIA_ROOT = str(folder / "media")
    open_served_shop()
    pictures = {path.name: path.read_bytes() for path in sorted(folder.iterdir()) if path.is_file()}
    phones: Queue[tuple[str, Client]] = Queue()
    for name in pictures:
        put("ann", "close", name, close_body(name)).json()
        for _ in range(COPIES):
            phones.put((name, signed_in("ann")))
    small = folder / "small.jpg"
    Image.new("RGB", (1_600, 1_200)).save(small)
    reencode(small.read_bytes())
    answers: dict[str, list[str]] = {name: [] for name in pictures}
    busy: list[str] = []
    start = threading.Barrier(THREADS)

    def send_some() -> None:
        start.wait()
        while True:
            try:
                name, phone = phones.get_nowait()
            except Empty:
                return
            path = f"/phone/photos/{uuid.uuid4()}/?job={name}&moment=before"
            while (answer := phone.put(path, pictures[name], content_type="image/jpeg")).status_code == 503:
                busy.append(answer.headers["Retry-After"])
                time.sleep(0.2)
            answers[name].append(f"{answer.status_code} {answer.json().get('detail', '')}".strip())

    threads = [threading.Thread(target=send_some) for _ in range(THREADS)]
    before = peak_bytes()
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    print(json.dumps({"answers": answers, "busy": len(busy), "before": before, "after": peak_bytes()}))


def peak_bytes() -> int:
    """Return the most memory that this process ever held."""
    unit = 1 if sys.platform == "darwin" else 1024
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * unit


if __name__ == "__main__":
    {"make": make, "post": post}[sys.argv[1]](Path(sys.argv[2]))
