"""Routes under /lookback/."""

from django.urls import URLPattern, path

from forecasting.policy_review import views

app_name = "lookback"
urlpatterns: list[URLPattern] = [
    path("", views.index, name="list"),
    path("chart/<str:van>/<path:consumable>/", views.chart, name="chart"),
    path("<str:van>/<path:consumable>/", views.show, name="show"),
]
