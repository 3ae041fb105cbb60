"""The pages of the technician's phone. The page itself holds no facts; those come as one bundle."""

import json

from django.http import Http404, HttpRequest, HttpResponse, JsonResponse
from django.template.loader import render_to_string
from django.utils import timezone
from django.utils.cache import patch_vary_headers
from django.views.decorators.cache import never_cache
from django.views.decorators.csrf import ensure_csrf_cookie
from django.views.decorators.http import require_safe

from shop.models import Role
from shop.people.permissions import for_roles, is_person, own_van, person_of, role_of
from shop.phone import after_close
from shop.phone.app_shell import file_of, kept_addresses, packed, version
from shop.phone.bundle import bundle_for


@require_safe
def app(_request: HttpRequest) -> HttpResponse:
    """Show the phone page, the same for everybody: a browser keeps it for when there is no signal."""
    return _fresh("shop/phone/app.html", "text/html; charset=utf-8", version=version())


@require_safe
def worker(_request: HttpRequest) -> HttpResponse:
    """Send the script that keeps the page on the phone."""
    context = {"version": version(), "addresses": json.dumps(kept_addresses())}
    return _fresh("shop/phone/worker.js", "text/javascript; charset=utf-8", **context)


@require_safe
def manifest(_request: HttpRequest) -> HttpResponse:
    """Describe the page to a phone that installs it (W3C Web Application Manifest)."""
    return _fresh("shop/phone/manifest.json", "application/manifest+json", version=version())


@require_safe
def file(request: HttpRequest, version: str, name: str) -> HttpResponse:
    """Send a file of the page; its address names its content, so a browser may keep it for good."""
    found = file_of(version, name)
    if found is None:
        raise Http404
    content, media_type = found
    takes_gzip = "gzip" in request.headers.get("Accept-Encoding", "")
    response = HttpResponse(packed(content) if takes_gzip else content, content_type=media_type)
    patch_vary_headers(response, ("Accept-Encoding",))
    if takes_gzip:
        response.headers["Content-Encoding"] = "gzip"
    response.headers["Cache-Control"] = "public, max-age=31536000, immutable"
    # A part of the page does nothing by itself; what it may do is the page's policy to say, at more length.
    response.headers["Content-Security-Policy"] = "default-src 'none'"
    response.headers["Permissions-Policy"] = "camera=()"
    return response


@never_cache
@ensure_csrf_cookie
@require_safe
def session(request: HttpRequest) -> JsonResponse:
    """Say who is signed in, if anyone, and what time it is: what a phone asks before it sends anything."""
    user = request.user
    return JsonResponse(
        {
            "person": user.get_username() if is_person(user) else None,
            "is_technician": is_person(user) and role_of(user) == Role.TECHNICIAN,
            "now": timezone.now().isoformat(),
        }
    )


@never_cache
@require_safe
@for_roles(Role.TECHNICIAN)
def bundle(request: HttpRequest) -> JsonResponse:
    """Send what a technician's phone needs to work without signal."""
    person = person_of(request)
    return JsonResponse(bundle_for(person, own_van(person), timezone.now()))


@never_cache
@require_safe
@for_roles(Role.TECHNICIAN)
def standing_close(request: HttpRequest) -> JsonResponse:
    """Say who closed a job (`?job=`) and what it took: what a phone shows whose own close came second."""
    own = own_van(person_of(request))
    found = own and after_close.standing_close(own, request.GET.get("job", ""))
    if not found:
        raise Http404
    return JsonResponse(found)


def _fresh(template: str, media_type: str, **context: str) -> HttpResponse:
    """Return what is the same for everybody: a browser may keep it, but asks each time whether it holds."""
    response = HttpResponse(render_to_string(template, context), content_type=media_type)
    response.headers["Cache-Control"] = "no-cache"
    return response
