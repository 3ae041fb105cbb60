"""Routes under /work/."""

from django.urls import URLPattern, path

from forecasting.work import pages

app_name = "work"
urlpatterns: list[URLPattern] = [path("", pages.index, name="list")]
