"""Routes under /api/v1/. An id may hold any printable character, a slash included."""

from django.urls import path
from drf_spectacular.views import SpectacularJSONAPIView

from shop.api import document_lists, views

app_name = "api"
urlpatterns = [
    path("schema/", SpectacularJSONAPIView.as_view(), name="schema"),
    path("closes/", document_lists.CloseList.as_view(), name="closes"),
    path("closes/<path:client_id>", views.CloseView.as_view(), name="close"),
    path("uses/", document_lists.UseList.as_view(), name="uses"),
    path("uses/<path:client_id>", views.UseView.as_view(), name="use"),
    path("receipts/", document_lists.ReceiptList.as_view(), name="receipts"),
    path("receipts/<path:client_id>", views.ReceiptView.as_view(), name="receipt"),
    path("transfers/", document_lists.TransferList.as_view(), name="transfers"),
    path("transfers/<path:client_id>", views.TransferView.as_view(), name="transfer"),
    path("returns/", document_lists.ReturnList.as_view(), name="returns"),
    path("returns/<path:client_id>", views.ReturnView.as_view(), name="return"),
    path("counts/", document_lists.CountList.as_view(), name="counts"),
    path("counts/<path:client_id>", views.CountView.as_view(), name="count"),
    path("scraps/", document_lists.ScrapList.as_view(), name="scraps"),
    path("scraps/<path:client_id>", views.ScrapView.as_view(), name="scrap"),
    path("corrections/", document_lists.CorrectionList.as_view(), name="corrections"),
    path("corrections/<path:client_id>", views.CorrectionView.as_view(), name="correction"),
]
