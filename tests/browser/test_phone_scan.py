"""Labels before the camera: Chromium's own camera path with a film of one of our labels, and no camera.

Debian's Chromium brings no reader of codes (BarcodeDetector of the Shape Detection API). So the page is
tested as it is there, and once more with a reader plugged in that decodes the camera's own pictures with
zxing-cpp.
"""

import base64
from collections.abc import Callable
from io import BytesIO
from pathlib import Path

import pytest
import zxingcpp
from PIL import Image, ImageDraw
from playwright.sync_api import expect
from reportlab.graphics.barcode.qr import QrCodeWidget

from shop.web.storeroom.qr_text import label_text
from tests.browser.conftest import Site
from tests.browser.phone import Phone

WIDTH_PX, HEIGHT_PX, MODULE_PX, FRAMES = 640, 480, 10, 10
CAMERA = ("--use-fake-device-for-media-stream", "--use-fake-ui-for-media-stream")
HAS_READER = "() => 'BarcodeDetector' in self"
IS_OFF = "() => lastStream.getTracks().every((track) => track.readyState === 'ended')"
# What a phone's browser brings: here the picture is handed to a reader outside, and nothing is made up.
READER = """
self.BarcodeDetector = class {
  static getSupportedFormats() { return Promise.resolve(["qr_code"]); }
  async detect(video) {
    const canvas = document.createElement("canvas");
    [canvas.width, canvas.height] = [video.videoWidth, video.videoHeight];
    canvas.getContext("2d").drawImage(video, 0, 0);
    return (await readCodes(canvas.toDataURL("image/png"))).map((rawValue) => ({ rawValue }));
  }
};
const open = navigator.mediaDevices.getUserMedia.bind(navigator.mediaDevices);
navigator.mediaDevices.getUserMedia = async (wanted) => (self.lastStream = await open(wanted));
"""


def film_of(text: str, path: Path) -> Path:
    """Write a film (YUV4MPEG2, 4:2:0) that shows one QR code and stands still."""
    symbol = QrCodeWidget(text, barLevel="Q").qr  # type: ignore[attr-defined] # the types lack it
    symbol.make()
    side = symbol.getModuleCount()
    picture = Image.new("L", (WIDTH_PX, HEIGHT_PX), 235)
    draw = ImageDraw.Draw(picture)
    left, top = (WIDTH_PX - side * MODULE_PX) // 2, (HEIGHT_PX - side * MODULE_PX) // 2
    for row in range(side):
        for column in range(side):
            if symbol.isDark(row, column):
                x, y = left + column * MODULE_PX, top + row * MODULE_PX
                draw.rectangle((x, y, x + MODULE_PX - 1, y + MODULE_PX - 1), fill=16)
    grey = b"\x80" * (WIDTH_PX * HEIGHT_PX // 2)
    frame = b"FRAME\n" + picture.tobytes() + grey
    path.write_bytes(f"YUV4MPEG2 W{WIDTH_PX} H{HEIGHT_PX} F10:1 Ip A1:1 C420jpeg\n".encode() + FRAMES * frame)
    return path


def read_codes(address: str) -> list[str]:
    """Return what the codes on a picture say, given as a data address."""
    picture = Image.open(BytesIO(base64.b64decode(address.partition(",")[2])))
    return [found.text for found in zxingcpp.read_barcodes(picture)]


@pytest.fixture
def camera_phone(new_phone: Callable[..., Phone], tmp_path: Path) -> Callable[[str], Phone]:
    """Return a way to get a phone whose camera looks at a code that says something."""

    def make(text: str) -> Phone:
        film = film_of(text, tmp_path / "label.y4m")
        return new_phone(durable=True, arguments=(*CAMERA, f"--use-file-for-fake-video-capture={film}"))

    return make


def open_a_close(phone: Phone, name: str, job: str) -> None:
    """Sign in and open the close of a job."""
    phone.sign_in(name)
    phone.open()
    phone.tap("link", f"Close {job}", exact=True)


def test_this_browser_reads_a_label_with_its_camera_or_says_that_it_cannot_and_takes_the_code(
    site: Site, camera_phone: Callable[[str], Phone]
) -> None:
    (job,) = site.technician("zora", jobs=1)
    phone = camera_phone(label_text("N-CLOTH"))
    open_a_close(phone, "zora", job)
    reads = phone.page.evaluate(HAS_READER)
    phone.tap("button", "Scan a label")
    if not reads:
        expect(phone.page.get_by_text("This browser cannot read labels. Type the code")).to_be_visible()
        code = phone.page.get_by_label("Code on the label")
        expect(code).to_be_focused()
        code.fill("n-clothe")
        phone.tap("button", "Add by code")
        expect(phone.page.get_by_text("n-clothe is not in the shop's catalogue")).to_be_visible()
        code.fill("n-cloth")
        phone.tap("button", "Add by code")
    expect(phone.page.get_by_text("Cloth is added.")).to_be_visible()
    phone.tap("button", "1 more: Cloth")
    phone.choose("Removed")
    phone.tap("button", "Close the job")
    phone.expect_state(job, "Received")
    assert site.books("zora")["stock"]["N-CLOTH"] == -1


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (label_text("N-CLOTH"), "Cloth is added."),
        (label_text("D-P400"), "Disc P400, 125 mm is on the list already."),
        (label_text("N-GONE"), "N-GONE is not in the shop's catalogue on this phone."),
    ],
)
def test_the_camera_sees_our_label_and_is_switched_off_again(
    site: Site, camera_phone: Callable[[str], Phone], text: str, said: str
) -> None:
    name = f"zeno-{text[-4:].lower()}"
    (job,) = site.technician(name, jobs=1)
    phone = camera_phone(text)
    phone.page.expose_function("readCodes", read_codes)
    phone.page.add_init_script(READER)
    open_a_close(phone, name, job)
    phone.tap("button", "Scan a label")
    expect(phone.page.get_by_text(said)).to_be_visible()
    phone.page.wait_for_function(IS_OFF)


def test_a_code_that_is_no_label_of_ours_is_passed_over(
    site: Site, camera_phone: Callable[[str], Phone]
) -> None:
    (job,) = site.technician("zita", jobs=1)
    phone = camera_phone("https://example.org/N-CLOTH")
    seen: list[str] = []

    def read(address: str) -> list[str]:
        found = read_codes(address)
        seen.extend(found)
        return found

    phone.page.expose_function("readCodes", read)
    phone.page.add_init_script(READER)
    open_a_close(phone, "zita", job)
    phone.tap("button", "Scan a label")
    dialog = phone.page.get_by_role("dialog", name="Scan a label")
    expect(dialog).to_be_visible()
    phone.wait_until(lambda: len(seen) >= 3)
    expect(dialog).to_be_visible()
    dialog.get_by_role("button", name="Close").tap()
    expect(dialog).to_have_count(0)
    phone.page.wait_for_function(IS_OFF)
    assert set(seen) == {"https://example.org/N-CLOTH"}


def test_without_a_camera_the_code_is_typed_or_chosen(site: Site, phone: Phone) -> None:
    (job,) = site.technician("alda", jobs=1)
    phone.page.expose_function("readCodes", read_codes)
    phone.page.add_init_script(READER)
    open_a_close(phone, "alda", job)
    phone.tap("button", "Scan a label")
    expect(phone.page.get_by_text("The camera could not be used")).to_be_visible()
    phone.page.get_by_label("Code on the label").fill("SB1:S-PAD")
    phone.tap("button", "Add by code")
    expect(phone.page.get_by_role("group", name="Soft polishing pad")).to_be_visible()
    phone.page.get_by_label("Something else").select_option("N-CLOTH")
    phone.tap("button", "Add", exact=True)
    expect(phone.page.get_by_role("group", name="Cloth")).to_be_visible()
