"""Routes under /store/."""

from django.urls import URLPattern

app_name = "store"
urlpatterns: list[URLPattern] = []
