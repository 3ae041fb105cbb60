"""Routes of forecasts, drafts and orders under /api/v1/."""

from django.urls import URLPattern, path

from forecasting.burn.api import Forecasts
from forecasting.restocking import api as restocks

app_name = "forecasting-api"
urlpatterns: list[URLPattern] = [
    path("forecasts/", Forecasts.as_view(), name="forecasts"),
    path("restocks/", restocks.RestockListView.as_view(), name="restocks"),
    path("restocks/<int:pk>", restocks.RestockView.as_view(), name="restock"),
    path("restocks/<int:pk>/approval", restocks.ApprovalView.as_view(), name="restock-approval"),
    path("restocks/<int:pk>/pick", restocks.PickView.as_view(), name="restock-pick"),
    path("restocks/<int:pk>/confirmation", restocks.ConfirmationView.as_view(), name="restock-confirmation"),
    path("restocks/<int:pk>/cancellation", restocks.CancellationView.as_view(), name="restock-cancellation"),
    path("restocks/<int:pk>/differences", restocks.DifferencesView.as_view(), name="restock-differences"),
]
