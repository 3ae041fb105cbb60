"""Run everything on one machine: the site, and the periodic work, without a broker."""

import logging
import subprocess
import sys
import threading
from argparse import ArgumentParser
from typing import Any

import waitress
from django.conf import settings
from django.core.management.base import CommandError
from django.db import DatabaseError, connection
from django.utils import timezone

from forecasting.outbox.delivery import letters_wait
from forecasting.scheduler.runner import ready
from shop.config.wsgi import application
from shop.jobs.photos import LARGEST_UPLOAD_BYTES
from shop.management.books_command import BooksCommand

logger = logging.getLogger(__name__)

# A photo is the largest that anyone may send (shop.jobs.photos); beyond this nothing is read at all.
LARGEST_BODY_BYTES = LARGEST_UPLOAD_BYTES + 1_000_000


class Command(BooksCommand):
    """A web server, and beside it a loop that starts `run_due` in a process of its own when work is due.

    In a process of its own a forecast does not slow the site down, gives its memory back, and can be killed
    without harm.
    """

    help = "Serve the site and do the periodic work, all on this machine; Ctrl-C stops it."

    def add_arguments(self, parser: ArgumentParser) -> None:
        """Declare the arguments."""
        parser.add_argument("--host", default="127.0.0.1", help="0.0.0.0 to be reached from other machines")
        parser.add_argument("--port", type=int, default=8000)

    def handle(self, *args: Any, host: str, port: int, **options: Any) -> None:
        """Serve until interrupted. Raises CommandError when the address cannot be listened on."""
        try:
            server = waitress.create_server(
                application,
                host=host,
                port=port,
                threads=8,
                ident=None,
                max_request_body_size=LARGEST_BODY_BYTES,
                # What a proxy of ours says of who asks, and how, is believed as far as the settings say.
                clear_untrusted_proxy_headers=not (settings.PROXIES or settings.SECURE_SSL_REDIRECT),
            )
        except (OSError, ValueError, OverflowError) as error:
            raise CommandError(f"cannot listen on {host} port {port}: {error}") from error
        over = threading.Event()
        loop = threading.Thread(target=look_for_work, args=(over,), name="look for work")
        if settings.REDIS_URL:
            self.stdout.write("REDIS_URL is set: workers do the periodic work.")
        else:
            loop.start()
        self.stdout.write(f"Serving at http://{host}:{port}/; stop with Ctrl-C.")
        self.stdout.flush()
        try:
            server.run()
        finally:
            over.set()
            if loop.is_alive():
                loop.join()


def look_for_work(over: threading.Event) -> None:
    """Do what is due now and every minute, until it is over."""
    try:
        while True:
            try:
                now = timezone.now()
                if ready(now) or letters_wait(now):
                    # Whatever fails is kept in the database, and the next look tries again.
                    subprocess.run([sys.executable, sys.argv[0], "run_due"], check=False)  # noqa: S603
            except (DatabaseError, OSError):
                logger.exception("Looking for work failed; the next look is in %s s", settings.LOOK_SECONDS)
                connection.close()
            if over.wait(settings.LOOK_SECONDS):
                return
    finally:
        connection.close()
