"""Routes under /lookback/."""

from django.urls import URLPattern, path

from forecasting.lookback import pages

app_name = "lookback"
urlpatterns: list[URLPattern] = [
    path("", pages.index, name="list"),
    path("chart/<str:van>/<path:consumable>/", pages.chart, name="chart"),
    path("<str:van>/<path:consumable>/", pages.show, name="show"),
]
