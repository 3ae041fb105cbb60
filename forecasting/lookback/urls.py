"""Routes under /lookback/."""

from django.urls import URLPattern

app_name = "lookback"
urlpatterns: list[URLPattern] = []
