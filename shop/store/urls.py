"""Routes under /store/."""

from django.urls import path

from shop.store import differences, document_pages, entry, label_pages, stock_pages, suppliers

app_name = "store"
urlpatterns = [
    path("", stock_pages.stock, name="stock"),
    path("receive/", entry.receive, name="receive"),
    path("move/", entry.move, name="move"),
    path("scrap/", entry.scrap, name="scrap"),
    path("count/", entry.count, name="count"),
    path("differences/", differences.difference_list, name="differences"),
    path("differences/<int:pk>/", differences.explain, name="explain"),
    path("suppliers/", suppliers.supplier_list, name="suppliers"),
    path("suppliers/<path:code>/", suppliers.supplier, name="supplier"),
    path("labels/", label_pages.labels, name="labels"),
    path("documents/", document_pages.document_list, name="documents"),
    path("documents/<str:kind>/<path:client_id>", document_pages.document, name="document"),
    path("items/<str:place>/<path:consumable>", stock_pages.item, name="item"),
]
