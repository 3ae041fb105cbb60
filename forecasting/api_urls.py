"""Routes of forecasts, drafts and orders under /api/v1/."""

from django.urls import URLPattern, path

from forecasting.burn.api import Forecasts
from forecasting.policy_review.api import LookBack
from forecasting.purchasing import api as purchases
from forecasting.replenishment import api as restocks

app_name = "forecasting-api"
urlpatterns: list[URLPattern] = [
    path("forecasts/", Forecasts.as_view(), name="forecasts"),
    path("lookback/", LookBack.as_view(), name="lookback"),
    path("restocks/", restocks.RestockListView.as_view(), name="restocks"),
    path("restocks/<int:pk>", restocks.RestockView.as_view(), name="restock"),
    path("restocks/<int:pk>/changes", restocks.ChangesView.as_view(), name="restock-changes"),
    path("restocks/<int:pk>/renewal", restocks.RenewalView.as_view(), name="restock-renewal"),
    path("restocks/<int:pk>/approval", restocks.ApprovalView.as_view(), name="restock-approval"),
    path("restocks/<int:pk>/pick", restocks.PickView.as_view(), name="restock-pick"),
    path("restocks/<int:pk>/confirmation", restocks.ConfirmationView.as_view(), name="restock-confirmation"),
    path("restocks/<int:pk>/cancellation", restocks.CancellationView.as_view(), name="restock-cancellation"),
    path("restocks/<int:pk>/differences", restocks.DifferencesView.as_view(), name="restock-differences"),
    path("purchases/", purchases.PurchaseListView.as_view(), name="purchases"),
    path("purchases/<str:number>", purchases.PurchaseView.as_view(), name="purchase"),
    path("purchases/<str:number>/changes", purchases.PurchaseChangesView.as_view(), name="purchase-changes"),
    path(
        "purchases/<str:number>/approval", purchases.PurchaseApprovalView.as_view(), name="purchase-approval"
    ),
    path("purchases/<str:number>/sending", purchases.PurchaseSendingView.as_view(), name="purchase-sending"),
    path(
        "purchases/<str:number>/cancellation",
        purchases.PurchaseCancellationView.as_view(),
        name="purchase-cancellation",
    ),
    path("purchases/<str:number>/rest", purchases.PurchaseRestView.as_view(), name="purchase-rest"),
    path(
        "purchases/<str:number>/receipts/<path:client_id>",
        purchases.PurchaseReceiptView.as_view(),
        name="purchase-receipt",
    ),
]
