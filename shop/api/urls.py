"""Routes under /api/v1/. An id may hold any printable character, a slash included."""

from django.urls import path
from drf_spectacular.views import SpectacularJSONAPIView

from shop.api import views

app_name = "api"
urlpatterns = [
    path("schema/", SpectacularJSONAPIView.as_view(), name="schema"),
    path("closes/<path:client_id>", views.CloseView.as_view(), name="close"),
    path("uses/<path:client_id>", views.UseView.as_view(), name="use"),
    path("receipts/<path:client_id>", views.ReceiptView.as_view(), name="receipt"),
    path("transfers/<path:client_id>", views.TransferView.as_view(), name="transfer"),
    path("returns/<path:client_id>", views.ReturnView.as_view(), name="return"),
    path("counts/<path:client_id>", views.CountView.as_view(), name="count"),
    path("scraps/<path:client_id>", views.ScrapView.as_view(), name="scrap"),
    path("corrections/<path:client_id>", views.CorrectionView.as_view(), name="correction"),
]
