"""Routes under /store/."""

from django.urls import path

from shop.web.storeroom import (
    count_variance_views,
    document_views,
    entry_views,
    label_views,
    stock_views,
    supplier_views,
)

app_name = "store"
urlpatterns = [
    path("", stock_views.stock, name="stock"),
    path("receive/", entry_views.receive, name="receive"),
    path("move/", entry_views.move, name="move"),
    path("scrap/", entry_views.scrap, name="scrap"),
    path("count/", entry_views.count, name="count"),
    path("differences/", count_variance_views.difference_list, name="differences"),
    path("differences/<int:pk>/", count_variance_views.explain, name="explain"),
    path("suppliers/", supplier_views.supplier_list, name="suppliers"),
    path("suppliers/<path:code>/", supplier_views.supplier, name="supplier"),
    path("labels/", label_views.labels, name="labels"),
    path("documents/", document_views.document_list, name="documents"),
    path("documents/<str:kind>/<path:client_id>", document_views.document, name="document"),
    path("items/<str:place>/<path:consumable>", stock_views.item, name="item"),
]
