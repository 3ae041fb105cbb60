"""Routes of forecasts, drafts and orders under /api/v1/."""

from django.urls import URLPattern

app_name = "forecasting-api"
urlpatterns: list[URLPattern] = []
