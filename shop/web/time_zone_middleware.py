"""The shop's clocks: pages show moments in the shop's own time zone."""

from collections.abc import Callable

from django.http import HttpRequest, HttpResponse
from django.utils import timezone

from shop.models import the_shop


def shop_time_zone(
    get_response: Callable[[HttpRequest], HttpResponse],
) -> Callable[[HttpRequest], HttpResponse]:
    """Make the shop's zone the current one while a request is answered."""

    def middleware(request: HttpRequest) -> HttpResponse:
        with timezone.override(the_shop().zone):
            return get_response(request)

    return middleware
