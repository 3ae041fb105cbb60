"""Routes under /burn/."""

from django.urls import URLPattern

app_name = "burn"
urlpatterns: list[URLPattern] = []
