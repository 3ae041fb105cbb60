"""Routes under /owner/."""

from django.urls import URLPattern

app_name = "owner"
urlpatterns: list[URLPattern] = []
