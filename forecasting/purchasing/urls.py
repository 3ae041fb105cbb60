"""Routes under /purchases/."""

from django.urls import URLPattern

app_name = "purchases"
urlpatterns: list[URLPattern] = []
