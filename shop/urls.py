"""Routes of the whole deployment."""

from django.contrib import admin
from django.urls import URLPattern, URLResolver, include, path, register_converter

from shop import pages
from shop.api.problems import Anything, no_such_route

register_converter(Anything, "anything")

handler400 = "shop.api.problems.bad_request"
handler500 = "shop.api.problems.server_error"
urlpatterns: list[URLPattern | URLResolver] = [
    path("", pages.home, name="home"),
    path("sign-in/", pages.SignIn.as_view(), name="sign-in"),
    path("sign-out/", pages.SignOut.as_view(), name="sign-out"),
    path("phone/", include("shop.phone.urls")),
    path("jobs/", include("shop.intake.urls")),
    path("owner/", include("shop.owner.urls")),
    path("store/", include("shop.store.urls")),
    path("accounts/", include("shop.accounts.urls")),
    path("people/", include("shop.people.urls")),
    path("burn/", include("forecasting.burn.urls")),
    path("restocks/", include("forecasting.restocking.urls")),
    path("purchases/", include("forecasting.purchasing.urls")),
    path("letters/", include("forecasting.mail.urls")),
    path("work/", include("forecasting.work.urls")),
    path("lookback/", include("forecasting.lookback.urls")),
    path("admin/", admin.site.urls),
    path("api/v1/", include("shop.api.urls")),
    path("api/v1/", include("forecasting.api_urls")),
    path("api/<anything:rest>", no_such_route),
]
