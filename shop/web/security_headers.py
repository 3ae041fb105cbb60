"""What a browser may load and run on our pages: our own files, nothing inline, nothing from elsewhere."""

from collections.abc import Callable

from django.http import HttpRequest, HttpResponse

POLICY = "; ".join(
    (
        "default-src 'none'",
        "script-src 'self'",
        "style-src 'self'",
        "img-src 'self' data:",
        "font-src 'self'",
        "connect-src 'self'",
        "manifest-src 'self'",
        "worker-src 'self'",
        "form-action 'self'",
        "base-uri 'none'",
        "frame-ancestors 'none'",
    )
)


# What answers say of themselves unless they say otherwise. Only the camera is used, to scan labels.
HEADERS = {
    "Content-Security-Policy": POLICY,
    "Permissions-Policy": "camera=(self), geolocation=(), microphone=(), payment=(), usb=()",
    # Facts of the shop: no cache on the way keeps them, and no browser shows them after signing out.
    "Cache-Control": "private, no-store",
}


def strict_headers(
    get_response: Callable[[HttpRequest], HttpResponse],
) -> Callable[[HttpRequest], HttpResponse]:
    """Send the policy (Content Security Policy Level 3) and its like with every answer."""

    def middleware(request: HttpRequest) -> HttpResponse:
        response = get_response(request)
        for name, value in HEADERS.items():
            response.headers.setdefault(name, value)
        return response

    return middleware
