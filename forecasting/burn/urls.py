"""Routes under /burn/."""

from django.urls import URLPattern, path

from forecasting.burn import views

app_name = "burn"
urlpatterns: list[URLPattern] = [
    path("", views.index, name="list"),
    path("forecast/", views.forecast, name="forecast"),
    path("chart/<int:pk>/", views.chart, name="chart"),
    path("<str:place>/<path:consumable>/", views.show, name="show"),
]
