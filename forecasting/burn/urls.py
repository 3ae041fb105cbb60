"""Routes under /burn/."""

from django.urls import URLPattern, path

from forecasting.burn import pages

app_name = "burn"
urlpatterns: list[URLPattern] = [
    path("", pages.index, name="list"),
    path("forecast/", pages.forecast, name="forecast"),
    path("chart/<int:pk>/", pages.chart, name="chart"),
    path("<str:place>/<path:consumable>/", pages.show, name="show"),
]
