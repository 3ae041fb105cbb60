"""Routes under /work/."""

from django.urls import URLPattern

app_name = "work"
urlpatterns: list[URLPattern] = []
