"""Routes under /work/."""

from django.urls import URLPattern, path

from forecasting.scheduler import views

app_name = "work"
urlpatterns: list[URLPattern] = [path("", views.index, name="list")]
