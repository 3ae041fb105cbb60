"""Routes under /restocks/."""

from django.urls import URLPattern

app_name = "restocks"
urlpatterns: list[URLPattern] = []
