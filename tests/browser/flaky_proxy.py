"""A network between phone and shop that loses answers after the shop has done its work."""

import http.client
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

Loses = Callable[[str, str], bool]


class FlakyProxy(ThreadingHTTPServer):
    """Hands every request on to the shop's server, and the answer back unless it is to be lost.

    `loses` decides by method and path, for each request; `bytes_sent` counts what went to the phone.
    """

    daemon_threads = True

    def __init__(self, server_port: int) -> None:
        super().__init__(("127.0.0.1", 0), _Handler)
        self.server_port_behind = server_port
        self.loses: Loses = lambda _method, _path: False
        self.lost: list[str] = []
        self.requests: list[str] = []
        self.bytes_sent = 0
        # What the shop would say after its next update: text by path, and what stands in its place.
        self.updates: dict[str, tuple[bytes, bytes]] = {}
        # What answers in the shop's place, which then hears of nothing: the whole answer by path.
        self.impostors: dict[str, bytes] = {}
        # The beginning of paths that are held up for as long as it stands here.
        self.held = ""
        self._counting = threading.Lock()

    @property
    def address(self) -> str:
        """Return the address that the phone uses."""
        return f"http://127.0.0.1:{self.server_address[1]}"

    def count(self, size: int) -> None:
        """Note what was sent."""
        with self._counting:
            self.bytes_sent += size

    def lose_next(self, method: str, times: int) -> None:
        """Lose the next so many answers to a method, each after the server has done its work."""
        left = [times]

        def loses(asked: str, _path: str) -> bool:
            with self._counting:
                left[0] -= asked == method
                return asked == method and left[0] >= 0

        self.loses = loses

    def handle_error(self, request: object, client_address: object) -> None:
        """Say nothing of phones that hang up."""


class _Handler(BaseHTTPRequestHandler):
    server: FlakyProxy

    def handle_one(self) -> None:
        length = int(self.headers.get("Content-Length") or 0)
        body = self.rfile.read(length)
        while self.server.held and self.path.startswith(self.server.held):
            time.sleep(0.05)
        for path, answer_instead in self.server.impostors.items():
            if self.path.startswith(path):
                self.server.requests.append(f"{self.command} {self.path}")
                self.wfile.write(answer_instead)
                self.close_connection = True
                return
        behind = http.client.HTTPConnection("127.0.0.1", self.server.server_port_behind, timeout=60)
        update = self.server.updates.get(self.path)
        # What is to be altered must not come compressed.
        dropped = ("connection", "accept-encoding") if update else ("connection",)
        headers = {name: value for name, value in self.headers.items() if name.lower() not in dropped}
        behind.request(self.command, self.path, body or None, headers)
        answer = behind.getresponse()
        content = answer.read()
        behind.close()
        if update:
            content = content.replace(*update)
        self.server.requests.append(f"{self.command} {self.path}")
        if self.server.loses(self.command, self.path):
            self.server.lost.append(f"{self.command} {self.path}")
            self.close_connection = True
            return
        head = f"HTTP/1.1 {answer.status} {answer.reason}\r\n".encode()
        unsent = ("transfer-encoding", "connection", "content-length")
        kept = [(name, value) for name, value in answer.getheaders() if name.lower() not in unsent]
        if self.command != "HEAD":
            kept.append(("Content-Length", str(len(content))))
        head += b"".join(f"{n}: {v}\r\n".encode("latin-1") for n, v in kept) + b"Connection: close\r\n\r\n"
        self.wfile.write(head + content)
        self.server.count(len(head) + len(content))
        self.close_connection = True

    do_GET = do_HEAD = do_POST = do_PUT = handle_one  # noqa: N815 - the library looks for these names

    def log_message(self, format: str, *args: object) -> None:  # noqa: A002 - the library's own name
        """Say nothing of each request."""


@contextmanager
def flaky_proxy(server_port: int) -> Iterator[FlakyProxy]:
    """Run a proxy before the server while the block runs."""
    proxy = FlakyProxy(server_port)
    thread = threading.Thread(target=proxy.serve_forever, daemon=True)
    thread.start()
    try:
        yield proxy
    finally:
        proxy.shutdown()
        proxy.server_close()
        thread.join()
