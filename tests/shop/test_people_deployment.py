"""Production settings pass Django's own checks of a deployment, and every page forbids what is inline."""

import os
import re
import subprocess
import sys

import pytest

from shop.security import POLICY
from tests.api.served_shop import open_served_shop, signed_in
from tests.api.test_access import ROUTES, address
from tests.servers import PROJECT


def test_production_settings_pass_the_checks_of_a_deployment() -> None:
    production = {
        "HTTPS": "1",
        "SECRET_KEY": "k" * 20 + "0123456789abcdefghijklmnopqrstuvwxyz-_!",
        "ALLOWED_HOSTS": "shop.example.org",
        "DATABASE_URL": "sqlite://:memory:",
        "EMAIL_URL": "smtp://mail.example.org:25",
    }
    done = subprocess.run(
        [sys.executable, "manage.py", "check", "--deploy", "--fail-level", "WARNING"],
        cwd=PROJECT,
        env={**os.environ, **production},
        capture_output=True,
        encoding="utf-8",
        check=False,
    )
    assert done.returncode == 0, done.stderr


@pytest.mark.django_db
def test_every_page_forbids_what_is_inline_and_has_none() -> None:
    open_served_shop()
    client = signed_in("olga", raise_request_exception=False)
    pages = 0
    for route, methods in ROUTES.items():
        if "GET" not in methods:
            continue
        answer = client.get(address(route))
        policy = answer["Content-Security-Policy"]
        assert "script-src 'self'" in policy, route
        assert "unsafe" not in policy, route
        if answer["Content-Type"].startswith("text/html") and not answer.streaming:
            pages += 1
            html = answer.content.decode()
            assert not re.search(r"<script(?![^>]*\bsrc=)|<style|\sstyle=|\son[a-z]+=", html), route
    assert pages > 10
    assert "unsafe" not in POLICY
