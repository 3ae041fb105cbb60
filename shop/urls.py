"""Routes of the whole deployment."""

from django.contrib import admin
from django.urls import URLPattern, URLResolver, include, path

from shop import pages

urlpatterns: list[URLPattern | URLResolver] = [
    path("", pages.home, name="home"),
    path("sign-in/", pages.SignIn.as_view(), name="sign-in"),
    path("sign-out/", pages.SignOut.as_view(), name="sign-out"),
    path("admin/", admin.site.urls),
    path("api/v1/", include("shop.api.urls")),
]
