"""Production settings pass Django's own checks of a deployment, and a site run with them keeps them."""

import http.client
import os
import re
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from http.cookies import SimpleCookie
from urllib.parse import urlencode

import pytest

from shop.web.security_headers import POLICY
from tests.servers import PROJECT, free_port, run_manage, wait_until
from tests.shop.api.route_table import ROUTES
from tests.shop.api.served_shop import PERSON_OF_ROLE, open_served_shop, signed_in
from tests.shop.api.test_access import address

PRODUCTION = {
    "HTTPS": "1",
    "PROXIES": "1",
    "SECRET_KEY": "k" * 20 + "0123456789abcdefghijklmnopqrstuvwxyz-_!",
    "ALLOWED_HOSTS": "shop.example.org",
    "EMAIL_URL": "smtp://mail.example.org:25",
    # Nothing else does the periodic work here.
    "REDIS_URL": "redis://localhost:1/0",
}
MAKE_PERSON = """
from shop.models import Person
Person.objects.create_user("olga", password="a long sentence of olga", role="owner")
"""


@pytest.mark.slow
def test_production_settings_pass_the_checks_of_a_deployment() -> None:
    done = subprocess.run(
        [sys.executable, "manage.py", "check", "--deploy", "--fail-level", "WARNING"],
        cwd=PROJECT,
        env={**os.environ, **PRODUCTION, "DATABASE_URL": "sqlite://:memory:"},
        capture_output=True,
        encoding="utf-8",
        check=False,
    )
    assert done.returncode == 0, done.stderr


@pytest.mark.parametrize(
    ("said", "subdomains", "preload"),
    [("", False, False), ("subdomains", True, False), ("subdomains,preload", True, True)],
)
def test_sites_below_the_shops_name_are_bound_to_https_only_when_it_says_so(
    said: str, subdomains: bool, preload: bool
) -> None:
    found = settings_with(HSTS=said)
    assert found.returncode == 0, found.stderr
    assert found.stdout.split() == ["31536000", str(subdomains), str(preload)]


@pytest.mark.parametrize("said", ["preload", "subdomain", "includeSubDomains", "1", "subdomains preload"])
def test_a_word_of_hsts_that_means_nothing_is_refused(said: str) -> None:
    found = settings_with(HSTS=said)
    assert found.returncode != 0
    assert f"HSTS has {said}" in found.stderr.replace("'", "")
    assert "subdomains,preload" in found.stderr


def settings_with(**variables: str) -> "subprocess.CompletedProcess[str]":
    """Return what a process prints of its settings of HSTS under production's variables and these."""
    program = (
        "from django.conf import settings as s;"
        "print(s.SECURE_HSTS_SECONDS, s.SECURE_HSTS_INCLUDE_SUBDOMAINS, s.SECURE_HSTS_PRELOAD)"
    )
    environment = {**PRODUCTION, "DJANGO_SETTINGS_MODULE": "shop.config.settings", **variables}
    return subprocess.run(
        [sys.executable, "-c", program],
        cwd=PROJECT,
        env={**os.environ, **environment},
        capture_output=True,
        encoding="utf-8",
        check=False,
    )


@dataclass(frozen=True)
class Answer:
    """What the site answered."""

    status: int
    headers: dict[str, str]
    cookies: SimpleCookie
    body: bytes


@dataclass(frozen=True)
class Site:
    """A site run with production settings, asked as its proxy asks."""

    port: int

    def ask(self, method: str, path: str, body: bytes = b"", **headers: str) -> Answer:
        """Ask over HTTP, as a proxy that was itself asked over HTTPS unless told otherwise."""
        said = {"Host": "shop.example.org", "X-Forwarded-Proto": "https", **headers}
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=120)
        connection.request(method, path, body, {k.replace("_", "-"): v for k, v in said.items() if v})
        answer = connection.getresponse()
        cookies = SimpleCookie()
        for value in answer.headers.get_all("Set-Cookie", []):
            cookies.load(value)
        found = Answer(answer.status, dict(answer.headers), cookies, answer.read())
        connection.close()
        return found

    def sign_in(self, password: str, forwarded_for: str) -> Answer:
        """Send the form of the sign-in page."""
        page = self.ask("GET", "/sign-in/")
        token = re.search(r'csrfmiddlewaretoken" value="(\w+)"', page.body.decode())
        assert token
        form = {"username": "olga", "password": password, "csrfmiddlewaretoken": token[1]}
        return self.ask(
            "POST",
            "/sign-in/",
            urlencode(form).encode(),
            Content_Type="application/x-www-form-urlencoded",
            Cookie=f"csrftoken={page.cookies['csrftoken'].value}",
            Origin="https://shop.example.org",
            X_Forwarded_For=forwarded_for,
        )


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Site]:
    """Run the site as a deployment behind one proxy does."""
    url = f"sqlite:///{tmp_path_factory.mktemp('site') / 'shop.sqlite3'}"
    run_manage(url, "migrate", "--verbosity=0")
    run_manage(url, "shell", "--verbosity=0", stdin=MAKE_PERSON)
    served = Site(free_port())
    process = subprocess.Popen(
        [sys.executable, "manage.py", "serve", f"--port={served.port}"],
        cwd=PROJECT,
        env={**os.environ, **PRODUCTION, "DATABASE_URL": url},
        stdout=subprocess.DEVNULL,
    )

    def answers() -> bool:
        try:
            return served.ask("GET", "/sign-in/").status == 200
        except OSError:
            return False

    try:
        wait_until(answers, "the site does not answer", 120)
        yield served
    finally:
        process.terminate()
        process.wait()


def test_a_site_speaks_https_only_and_says_so(site: Site) -> None:
    plain = site.ask("GET", "/sign-in/", X_Forwarded_Proto="http")
    assert (plain.status, plain.headers["Location"]) == (301, "https://shop.example.org/sign-in/")
    page = site.ask("GET", "/sign-in/")
    assert page.headers["Strict-Transport-Security"] == "max-age=31536000"
    assert page.headers["Content-Security-Policy"] == POLICY
    assert page.headers["X-Content-Type-Options"] == "nosniff"
    assert page.headers["X-Frame-Options"] == "DENY"
    assert page.headers["Referrer-Policy"] == "same-origin"
    assert page.headers["Cross-Origin-Opener-Policy"] == "same-origin"
    assert "no-store" in page.headers["Cache-Control"]
    assert "Server" not in page.headers or "waitress" not in page.headers["Server"]


def test_a_site_answers_to_its_own_names_only(site: Site) -> None:
    for host in (
        "evil.example.net",
        "shop.example.org.evil.example.net",
        "shop.example.org@evil",
        "testserver",
    ):
        assert site.ask("GET", "/sign-in/", Host=host).status == 400, host
    page = site.ask("GET", "/", X_Forwarded_Host="evil.example.net")
    assert page.headers["Location"] == "/sign-in/?next=/"


def test_a_session_is_for_https_and_no_script_or_other_site_reads_it(site: Site) -> None:
    answer = site.sign_in("a long sentence of olga", "203.0.113.5")
    assert answer.status == 302
    session = answer.cookies["sessionid"]
    assert (session["secure"], session["httponly"], session["samesite"]) == (True, True, "Lax")
    token = answer.cookies["csrftoken"]
    # The phone's script reads this one and sends it along.
    assert (token["secure"], token["samesite"]) == (True, "Lax")


def test_wrong_passwords_are_counted_by_the_address_that_the_proxy_saw(site: Site) -> None:
    # What stands before the proxy's own address is made up by the client.
    tries = [site.sign_in("wrong", f"198.51.100.{n}, 203.0.113.7").status for n in range(6)]
    assert tries == [200] * 4 + [429] * 2
    assert site.sign_in("wrong", "203.0.113.7, 203.0.113.8").status == 200


def test_a_body_that_nobody_may_send_is_not_read(site: Site) -> None:
    said = {"Content_Type": "application/json", "Content_Length": "5100000"}
    assert site.ask("PUT", "/api/v1/closes/C-1", b"", **said).status == 413


def test_a_form_larger_than_any_of_ours_is_refused(site: Site) -> None:
    headers = {
        "Content_Type": "application/x-www-form-urlencoded",
        "Cookie": f"csrftoken={'a' * 32}",
        "Origin": "https://shop.example.org",
    }
    for body in (b"a=" + b"x" * 2_700_000, b"&".join(b"a%d=1" % n for n in range(20_001))):
        answer = site.ask("POST", "/people/forgotten/", body, **headers)
        assert answer.status == 400, len(body)


@pytest.mark.django_db
@pytest.mark.same_on_each_database
@pytest.mark.parametrize("role", PERSON_OF_ROLE)
def test_every_answer_forbids_what_is_inline_and_no_page_has_any(role: str) -> None:
    open_served_shop()
    client = signed_in(PERSON_OF_ROLE[role], raise_request_exception=False)
    pages = 0
    for route in ROUTES:
        answer = client.get(address(route))
        policy = answer["Content-Security-Policy"]
        assert policy == POLICY or route == "admin/", route
        assert "unsafe" not in policy, route
        assert answer["X-Content-Type-Options"] == "nosniff", route
        assert answer["X-Frame-Options"] == "DENY", route
        assert answer["Cache-Control"], route
        if answer["Content-Type"].startswith("text/html") and not answer.streaming:
            pages += 1
            html = answer.content.decode()
            assert not re.search(r"<script(?![^>]*\bsrc=)|<style|\sstyle=|\son[a-z]+=|javascript:", html), (
                route
            )
    assert pages > 10
    assert "unsafe" not in POLICY
