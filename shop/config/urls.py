"""Routes of the whole deployment."""

from django.contrib import admin
from django.urls import URLPattern, URLResolver, include, path, register_converter

from shop.api.problems import Anything, no_such_route
from shop.web import home_views

register_converter(Anything, "anything")

handler400 = "shop.api.problems.bad_request"
handler500 = "shop.api.problems.server_error"
urlpatterns: list[URLPattern | URLResolver] = [
    path("", home_views.home, name="home"),
    path("sign-in/", home_views.SignIn.as_view(), name="sign-in"),
    path("sign-out/", home_views.SignOut.as_view(), name="sign-out"),
    path("phone/", include("shop.phone.urls")),
    path("jobs/", include("shop.web.bookings.urls")),
    path("owner/", include("shop.web.owner.urls")),
    path("store/", include("shop.web.storeroom.urls")),
    path("accounts/", include("shop.web.accounting.urls")),
    path("people/", include("shop.people.urls")),
    path("burn/", include("forecasting.burn.urls")),
    path("restocks/", include("forecasting.replenishment.urls")),
    path("purchases/", include("forecasting.purchasing.urls")),
    path("letters/", include("forecasting.outbox.urls")),
    path("work/", include("forecasting.scheduler.urls")),
    path("lookback/", include("forecasting.policy_review.urls")),
    path("admin/", admin.site.urls),
    path("api/v1/", include("shop.api.urls")),
    path("api/v1/", include("forecasting.api_urls")),
    path("api/<anything:rest>", no_such_route),
]
