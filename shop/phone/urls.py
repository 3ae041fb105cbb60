"""Routes under /phone/."""

from django.urls import URLPattern

app_name = "phone"
urlpatterns: list[URLPattern] = []
